"""The examples of docs/home-automation.md, docs/scripts.md and docs/api.md, run as they are."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path

import pytest

from service.advice.sharing.leases import AllTanks
from service.app.application import Application
from service.clock import SystemClock
from service.config import Config, HomieOptions, HubOptions, PicturesConfig, load_config
from service.derive.caching.drift_cache import MorningDrifts
from service.integrations.configured import configured_integrations
from service.integrations.homie.device import properties_of
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.tank_figures import figures_of
from service.registry.models.access import Scope
from tests.advice.cases import view_with
from tests.derive.pieces import NOON
from tests.integrations.conftest import Home, served
from tests.pictures.samples import HEIC, picture
from tests.servers import Mosquitto, wait_until

DOCS = Path(__file__).parents[2] / "docs"
HOME = (DOCS / "home-automation.md").read_text()
SCRIPTS = (DOCS / "scripts.md").read_text()
API = (DOCS / "api.md").read_text()
INTEGRATIONS = (DOCS / "integrations.md").read_text()


def examples(text: str) -> dict[str, tuple[str, str]]:
    """Language and text of each named example."""
    found = re.findall(r"<!-- example: ([a-z0-9 ]+) -->\n```([a-z]+)\n(.*?)```", text, re.DOTALL)
    return {name: (language, body) for name, language, body in found}


def run(example: tuple[str, str], cwd: Path = DOCS.parent, **environ: str) -> str:
    language, body = example
    command = {"sh": ["sh", "-eu"], "python": [sys.executable, "-"]}[language]
    done = subprocess.run(
        command,
        input=body,
        env={**os.environ, **environ},
        capture_output=True,
        text=True,
        timeout=60,
        cwd=cwd,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


@pytest.fixture
def service(home: Home, tmp_path: Path) -> Iterator[str]:
    """A server with the tank ``reed``, evaluated once; its address. There is no token."""
    config = Config(pictures=PicturesConfig(folder=str(tmp_path / "pictures")))
    with served(home, config) as url:
        yield url


EXPECTED: dict[str, str] = {
    "co2": r"[\d.]+ mg/L \([\d.]+ to [\d.]+\): below\n",
    "todo": r"(urgent|warning|advice|info)\treed\t.+\n(.+\n)*",
    "table": r'("2026-03-\d\dT\d\d:00:00Z",[\d.]+,12\n)+("2026.*\n)?',
    "log": r"2026-03-10T12:00:00Z water-change\n",
    "handover": r"(\d{4}-\d\d-\d\d\tReed bed\t(Change|Dose) .+\n){2,}",
    "handover calendar": r"\d\d\n",
    "sheet": "",
    "share": r"Water: 24\.0 °C .+\nOpen: .+\n.+\n",
    "cron": r"reed: .+\n  .+\n(.+\n)*",
    "requests": r"Reed bed lit [\d.]+ h; temperature is within\n",
    "client": r"(urgent|warning|advice|info) .+\n(.+\n)*",
    "stream": r"((temperature|ph|ppfd|illuminance) [\d.]+ \S+\n){3}",
    "events": r"((temperature|ph|ppfd|illuminance) [\d.]+ \S+\n){3}",
    "silent": r'(littoral_last_reading_timestamp_seconds\{.*tank="reed".*\}\n){3}',
}


def script(name: str, url: str, token: str, cwd: Path) -> str:
    """What an example prints after the page's first block, with an address and a token in it."""
    language, body = examples(SCRIPTS)[name]
    environ = {"LITTORAL_URL": url, "LITTORAL_TOKEN": token}
    if language == "sh":
        (before,) = re.findall(r"```sh\n(export .*?)```", SCRIPTS, re.DOTALL)
        for variable, value in environ.items():
            before, once = re.subn(rf"(?<=^export {variable}=)\S*", value, before, flags=re.M)
            assert once == 1
        body = before + body
    return run((language, body), cwd, **environ)


@pytest.mark.needs("curl", "jq")
@pytest.mark.parametrize("name", EXPECTED)
def test_scripts_without_tokens_and_with_one(
    name: str, service: str, home: Home, tmp_path: Path
) -> None:
    assert re.fullmatch(EXPECTED[name], script(name, service, "", tmp_path))
    _, secret = home.registry.create_token("script", Scope.WRITE, NOON)
    assert re.fullmatch(EXPECTED[name], script(name, service, secret, tmp_path))
    if name == "sheet":
        assert "Reed bed" in (tmp_path / "sheet.html").read_text()
        refused = subprocess.run(
            ["sh", "-c", "auth=\n" + examples(SCRIPTS)[name][1]],
            env={**os.environ, "LITTORAL_URL": service},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert refused.stdout == "send the header Authorization: Bearer SECRET\n"
        assert "401" in refused.stderr


def test_every_script_is_run() -> None:
    assert set(examples(SCRIPTS)) == set(EXPECTED)
    blocks = re.findall(r"^```(?:sh|python)$", SCRIPTS, re.MULTILINE)
    assert len(blocks) == len(EXPECTED) + 1  # the first only sets the environment


def test_requests_of_the_api_page(service: str, home: Home, tmp_path: Path) -> None:
    """In their order, without a token, then with one that curl's settings add."""
    blocks = re.findall(r"```sh\n(.*?)```", API, re.DOTALL)
    requests = "".join(one for one in blocks if "curl" in one)
    assert requests.count("curl ") > 8
    # The one of events only ends when its time is over.
    requests, events = re.subn(r"--max-time 5(.*)", r"--max-time 1\1 || [ $? = 28 ]", requests)
    assert events == 1
    body = requests.replace("http://127.0.0.1:8600", service)
    (tmp_path / "front.jpg").write_bytes(picture())
    (tmp_path / "left.heic").write_bytes(HEIC)
    home_of_curl = tmp_path / "home"
    home_of_curl.mkdir()
    for first in (True, False):
        settings = "no-progress-meter\n"
        if not first:
            _, secret = home.registry.create_token("script", Scope.WRITE, NOON)
            settings += f'header = "Authorization: Bearer {secret}"\n'
        (home_of_curl / ".curlrc").write_text(settings)
        said = run(("sh", body), tmp_path, CURL_HOME=str(home_of_curl))
        assert f"{service}/shared/" in said
        assert "<h1" in (tmp_path / "sheet.html").read_text()
        assert (tmp_path / "tasks.ics").read_bytes().startswith(b"BEGIN:VCALENDAR")


def watched(example: tuple[str, str], port: str) -> str:
    """What an example prints that listens for a while: mosquitto_sub ends by saying so."""
    return subprocess.run(
        ["sh", "-c", example[1]],
        env={**os.environ, "PORT": port},
        capture_output=True,
        text=True,
        timeout=60,
    ).stdout


def test_home_automation(
    home: Home, start_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    found = examples(HOME)
    file = tmp_path / "littoral.toml"
    file.write_text(
        f'[mqtt]\nurl = "{broker.url}"\n' + found["homie config"][1] + found["hub config"][1]
    )
    homie, hub, _ = integrations = configured_integrations(
        load_config(file, {}),
        home.registry,
        home.store,
        SystemClock(),
        MorningDrifts(),
        lambda: None,
        AllTanks(),
    )
    assert isinstance(homie, Homie) and isinstance(hub, Hub)
    for one in integrations:
        one.start()
    try:
        wait_until(lambda: homie.is_connected and hub.is_connected)
        home.scheduler(*integrations).evaluate_all()
        port = str(broker.port)
        assert run(found["homie temperature"], PORT=port) == "24\n"
        seen = watched(found["homie watch"], port)
        assert "homie/5/littoral-reed/$state ready\n" in seen
        assert "homie/5/littoral-reed/light/lit true\n" in seen
        components = watched(found["hub components"], port)
        assert "Temperature\t°C\n" in components and "Dissolved CO2\tmg/L\n" in components
    finally:
        for one in integrations:
            one.stop()
    assert set(found) == {
        "homie config", "hub config", "homie temperature", "homie watch", "hub components",
        "hub blueprint", "hub action",  # run in tests/integrations/hub/test_real_hub.py
    }  # fmt: skip


def test_every_option_property_and_metric_is_documented(home: Home) -> None:
    for option in (*fields(HomieOptions), *fields(HubOptions)):
        assert f"| `{option.name}` |" in HOME, option.name
    for one in properties_of(figures_of(view_with(log=[]), [])):
        assert f"`{one.node}/{one.id}`" in HOME, one.id
    application = Application(Config(), home.clock, home.store, home.registry)
    home.scheduler(application.metrics).evaluate_all()
    for family in application.metrics.collect():
        name = f"{family.name}_info" if family.type == "info" else family.name
        name = f"{family.name}_total" if family.type == "counter" else name
        assert f"`{name}`" in INTEGRATIONS, name


def test_every_integration_page_is_linked() -> None:
    for page in re.findall(r"\]\(([a-z-]+\.md)", INTEGRATIONS + HOME + SCRIPTS):
        assert (DOCS / page).is_file(), page
