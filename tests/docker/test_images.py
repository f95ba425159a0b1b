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
    assert set(services) == {"broker", "ingest", "service", "influxdb"}
    assert services["influxdb"]["image"].startswith("influxdb:2")
    for name in ("ingest", "service"):
        assert services[name]["read_only"] is True
        assert services[name]["cap_drop"] == ["ALL"]


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


def test_variables_are_explained(compose: dict[str, Any]) -> None:
    used = set(re.findall(r"\$\{(\w+)", (DOCKER / "compose.yaml").read_text()))
    example = (DOCKER / "env.example").read_text()
    explained = set(re.findall(r"^#?(\w+)=", example, re.MULTILINE))
    assert used == explained


def test_the_stores_address_is_understood(compose: dict[str, Any]) -> None:
    """Offline: the address is taken apart and the server is not there."""
    url = compose["services"]["ingest"]["environment"]["LITTORAL_STORE__URL"]
    url = re.sub(r"\$\{INFLUXDB_TOKEN:\?[^}]*\}", "a1b2c3", url).replace(
        "influxdb:8086", "127.0.0.1:9"
    )
    config = load_config(DOCKER / "littoral.toml", {"LITTORAL_STORE__URL": url})
    store = open_store(config.store.url)
    assert store.backend.startswith("influx")
    assert not store.health().reachable
    store.close()


def test_the_containers_configuration_is_valid() -> None:
    config = load_config(DOCKER / "littoral.toml", {})
    assert (config.mqtt.url, config.mqtt.username) == ("mqtts://broker:8884", "littoral")
    assert config.registry.url.startswith("sqlite:////var/lib/littoral/")
    assert (config.http.host, config.http.port) == ("0.0.0.0", 8600)


@pytest.mark.parametrize("script", ["docker/lock.sh", "docker/mosquitto/setup.sh", "demo/run.sh"])
def test_scripts_are_posix_sh(script: str) -> None:
    """Debian's dash parses them; it knows no bashisms."""
    done = run(shutil.which("dash") or "sh", "-n", str(ROOT / script))
    assert (done.returncode, done.stderr) == (0, "")
