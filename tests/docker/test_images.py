"""The container files, checked as far as no container engine allows.

Outside checks: hadolint's rules for Dockerfiles, the published JSON schema of the Compose
Specification (as carried by check-jsonschema). The broker: test_broker.py.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.config import load_config
from service.store import open_store
from tests.servers import program

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
BESIDE_PYTHON = str(Path(sys.executable).parent)


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text())
    return found


def instructions() -> list[tuple[str, str]]:
    """The Dockerfile's instructions: word and rest, continuation lines joined."""
    text = (DOCKER / "Dockerfile").read_text().replace("\\\n", " ")
    lines = [line.strip() for line in text.splitlines()]
    return [tuple(line.split(None, 1)) for line in lines if line and not line.startswith("#")]  # type: ignore[misc]


def test_hadolint_finds_nothing() -> None:
    done = run(program("hadolint", BESIDE_PYTHON), "--no-color", str(DOCKER / "Dockerfile"))
    assert (done.returncode, done.stdout) == (0, "")


def test_hadolint_would_find_something(tmp_path: Path) -> None:
    bad = tmp_path / "Dockerfile"
    bad.write_text("FROM debian\nRUN cd /tmp && sudo ls\n")
    assert run(program("hadolint", BESIDE_PYTHON), str(bad)).returncode == 1


def test_compose_file_follows_the_specification() -> None:
    checker = program("check-jsonschema", BESIDE_PYTHON)
    schema = ("--builtin-schema", "vendor.compose-spec")
    done = run(checker, *schema, str(DOCKER / "compose.yaml"))
    assert done.returncode == 0, done.stdout


def test_a_wrong_compose_file_would_be_found(tmp_path: Path) -> None:
    bad = tmp_path / "compose.yaml"
    bad.write_text("services: {broker: {imagge: x}}\n")
    checker = program("check-jsonschema", BESIDE_PYTHON)
    assert run(checker, "--builtin-schema", "vendor.compose-spec", str(bad)).returncode == 1


def test_what_the_image_copies_is_there_and_let_through() -> None:
    let_through = [
        line.removeprefix("!")
        for line in (DOCKER / "Dockerfile.dockerignore").read_text().splitlines()
        if line.startswith("!")
    ]
    sources = []
    for word, rest in instructions():
        if word == "COPY" and "--from" not in rest:
            sources += rest.split()[:-1]
    assert sources
    missing = [source for source in sources if not (ROOT / source).exists()]
    assert missing == []
    assert set(sources) == set(let_through)


def test_the_image_runs_our_command_as_an_ordinary_user() -> None:
    words = dict(instructions())
    scripts = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["scripts"]
    assert words["ENTRYPOINT"] == '["littoral"]'
    assert "littoral" in scripts
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", words["USER"])
    assert "/readyz" in words["HEALTHCHECK"]


def test_compose_has_every_part(compose: dict[str, Any]) -> None:
    services = compose["services"]
    profiles = {name: one.get("profiles", []) for name, one in services.items()}
    always = {name for name, asked in profiles.items() if not asked}
    assert always == {"broker", "ingest", "service"}
    assert {name: asked for name, asked in profiles.items() if asked} == {
        "influxdb": ["influxdb"],
        "victoriametrics": ["victoriametrics"],
    }
    assert services["influxdb"]["image"].startswith("influxdb:2")
    for name in ("ingest", "service"):
        assert services[name]["read_only"] is True
        assert services[name]["cap_drop"] == ["ALL"]
        # What is of a profile must not be waited for where that is not asked for.
        needed = services[name]["depends_on"]
        assert {one for one, how in needed.items() if how.get("required", True)} == {"broker"}
        assert set(needed) == set(services) - {"ingest", "service"}


def test_victoriametrics_gets_the_flags_that_the_docs_ask_for(compose: dict[str, Any]) -> None:
    page = (ROOT / "docs" / "stores.md").read_text()
    (flags,) = re.findall(r"^victoria-metrics (.*?)```", page, re.DOTALL | re.MULTILINE)
    asked = {one for one in flags.replace("\\\n", " ").split() if "DIR" not in one}
    given = compose["services"]["victoriametrics"]["command"]
    assert {one for one in given if "storageDataPath" not in one} == asked


def test_ports_are_published_on_loopback_unless_asked(compose: dict[str, Any]) -> None:
    ports = [port for one in compose["services"].values() for port in one.get("ports", [])]
    assert len(ports) == 2
    for port in ports:
        assert re.match(r"\$\{\w+:-127\.0\.0\.1\}:", port)


def test_mounted_files_and_volumes_exist(compose: dict[str, Any]) -> None:
    for one in compose["services"].values():
        for volume in one["volumes"]:
            source = volume.split(":")[0]
            if source == "./broker" or source.startswith("./broker/"):
                continue  # made by setup.sh: tests/docker/test_broker.py
            assert source in compose["volumes"] or (DOCKER / source).is_file(), source


def test_what_the_containers_write_and_read_fits_their_user(compose: dict[str, Any]) -> None:
    """A new volume takes owner and mode of what the image has in its place."""
    home = dict(instructions())["VOLUME"]
    made = next(rest for word, rest in instructions() if word == "RUN" and "useradd" in rest)
    assert f"--home-dir {home} " in made and "--uid 10001" in made
    config = load_config(DOCKER / "littoral.toml", {})
    for path in (config.store.url, config.registry.url, config.ingest.spool_path):
        assert path.removeprefix("sqlite:///").startswith(f"{home}/"), path
    for name in ("ingest", "service"):
        volumes = dict(one.split(":", 1) for one in compose["services"][name]["volumes"])
        assert volumes["data"] == home
        assert volumes["./littoral.toml"] == "/etc/littoral/littoral.toml:ro"
        assert volumes["./broker/ca.crt"] == f"{config.mqtt.ca_file}:ro"
    assert (DOCKER / "littoral.toml").stat().st_mode & 0o004  # read by another user than its owner


def test_variables_are_explained(compose: dict[str, Any]) -> None:
    used = set(re.findall(r"\$\{(\w+)", (DOCKER / "compose.yaml").read_text()))
    example = (DOCKER / "env.example").read_text()
    explained = set(re.findall(r"^#?(\w+)=", example, re.MULTILINE))
    assert used | {"COMPOSE_PROFILES"} == explained


def test_the_stores_addresses_are_understood(compose: dict[str, Any], tmp_path: Path) -> None:
    """Offline: an address is taken apart and its server is not there."""
    example = (DOCKER / "env.example").read_text()
    pairs = re.findall(r"^#COMPOSE_PROFILES=(\w+)\n#STORE_URL=(\S+)$", example, re.MULTILINE)
    assert [profile for profile, _ in pairs] == ["influxdb", "victoriametrics"]
    for profile, url in pairs:
        assert f"//{profile}:" in url
        here = re.sub(rf"{profile}:\d+", "127.0.0.1:9", url).replace("${INFLUXDB_TOKEN}", "a1b2c3")
        config = load_config(DOCKER / "littoral.toml", {"LITTORAL_STORE__URL": here})
        store = open_store(config.store.url)
        assert store.backend.startswith(profile[:6])
        assert not store.health().reachable
        store.close()
    usual = compose["services"]["ingest"]["environment"]["LITTORAL_STORE__URL"]
    assert usual == "${STORE_URL:-" + load_config(DOCKER / "littoral.toml", {}).store.url + "}"


def test_the_containers_configuration_is_valid() -> None:
    config = load_config(DOCKER / "littoral.toml", {})
    assert (config.mqtt.url, config.mqtt.username) == ("mqtts://broker:8884", "littoral")
    assert config.registry.url.startswith("sqlite:////var/lib/littoral/")
    assert (config.http.host, config.http.port) == ("0.0.0.0", 8600)


@pytest.mark.parametrize(
    "script", ["docker/lock.sh", "docker/slim.sh", "docker/mosquitto/setup.sh", "demo/run.sh"]
)
def test_scripts_are_posix_sh(script: str) -> None:
    """Debian's dash parses them; it knows no bashisms."""
    done = run(shutil.which("dash") or "sh", "-n", str(ROOT / script))
    assert (done.returncode, done.stderr) == (0, "")
