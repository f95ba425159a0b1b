"""The examples of docs/home-automation.md and docs/scripts.md, run as they are."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path

import pytest

from service.api.server import Server
from service.app.app_factory import create_app
from service.app.application import Application
from service.clock import SystemClock
from service.config import Config, HomieOptions, HttpConfig, HubOptions, load_config
from service.derive.drift_cache import MorningDrifts
from service.integrations.configured import configured_integrations
from service.integrations.homie.device import properties_of
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.tank_figures import figures_of
from service.registry.access import Scope
from tests.advice.cases import view_with
from tests.derive.pieces import NOON
from tests.integrations.conftest import Home
from tests.servers import Mosquitto, wait_until

DOCS = Path(__file__).parents[2] / "docs"
HOME = (DOCS / "home-automation.md").read_text()
SCRIPTS = (DOCS / "scripts.md").read_text()
INTEGRATIONS = (DOCS / "integrations.md").read_text()


def examples(text: str) -> dict[str, tuple[str, str]]:
    """Language and text of each named example."""
    found = re.findall(r"<!-- example: ([a-z0-9 ]+) -->\n```([a-z]+)\n(.*?)```", text, re.DOTALL)
    return {name: (language, body) for name, language, body in found}


def run(example: tuple[str, str], **environ: str) -> str:
    language, body = example
    command = {"sh": ["sh", "-eu"], "python": [sys.executable, "-"]}[language]
    done = subprocess.run(
        command,
        input=body,
        env={**os.environ, **environ},
        capture_output=True,
        text=True,
        timeout=60,
        cwd=DOCS.parent,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


@pytest.fixture
def service(home: Home) -> Iterator[dict[str, str]]:
    """A server with the tank ``reed``, evaluated once; its address and a token."""
    application = Application(Config(), home.clock, home.store, home.registry)
    home.scheduler(application.metrics).evaluate_all()
    _, secret = home.registry.create_token("script", Scope.WRITE, NOON)
    server = Server(create_app(application), HttpConfig(port=0))
    thread = threading.Thread(target=server.run, args=(application.stopping,))
    thread.start()
    yield {"LITTORAL_URL": server.url, "LITTORAL_TOKEN": secret}
    application.stopping.set()
    thread.join(60)


EXPECTED: dict[str, str] = {
    "co2": r"[\d.]+ mg/L \([\d.]+ to [\d.]+\): below\n",
    "todo": r"(urgent|warning|advice|info)\treed\t.+\n(.+\n)*",
    "table": r'("2026-03-\d\dT\d\d:00:00Z",[\d.]+,12\n)+("2026.*\n)?',
    "log": r"2026-03-10T12:00:00Z water-change\n",
    "handover": r"(2026-03-\d\d\tReed bed\t(Change|Dose) .+\n){2,}",
    "handover calendar": r"\d\d\n",
    "share": r"Water: 24\.0 °C .+\nOpen: .+\n.+\n",
    "cron": r"reed: .+\n  .+\n(.+\n)*",
    "requests": r"Reed bed lit [\d.]+ h; temperature is within\n",
    "client": r"(urgent|warning|advice|info) .+\n(.+\n)*",
    "stream": r"((temperature|ph|ppfd|illuminance) [\d.]+ \S+\n){3}",
    "events": r"((temperature|ph|ppfd|illuminance) [\d.]+ \S+\n){3}",
    "silent": r'(littoral_last_reading_timestamp_seconds\{.*tank="reed".*\}\n){3}',
}


@pytest.mark.needs("curl", "jq")
@pytest.mark.parametrize("name", EXPECTED)
def test_scripts(name: str, service: dict[str, str]) -> None:
    assert re.fullmatch(EXPECTED[name], run(examples(SCRIPTS)[name], **service))


def test_every_script_is_run() -> None:
    assert set(examples(SCRIPTS)) == set(EXPECTED)
    blocks = re.findall(r"^```(?:sh|python)$", SCRIPTS, re.MULTILINE)
    assert len(blocks) == len(EXPECTED) + 1  # the first only sets the environment


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
