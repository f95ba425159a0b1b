"""A general-purpose home-automation hub from PyPI, in an environment of its own.

Each version has a lock of what it imports with MQTT and automations alone. The environment is made
when a test first asks for it, below the folder of the tests' own one, and stays there.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from tests.servers import HOST, Server

FOLDER: Final = Path(__file__).parent
START_S: Final = 240.0
PYTHONS: Final = {"2024.3.3": "python3.11", "2025.4.4": "python3.13"}
"""The version of the hub, and what it runs on."""


def python_for(version: str) -> str | None:
    """The Python that a version of the hub runs on; None where the machine has none."""
    name = PYTHONS[version]
    places = [Path(sys.base_prefix) / "bin", *sorted(Path.home().glob(".pyenv/versions/*/bin"))]
    for found in (shutil.which(name), *(str(place / name) for place in places)):
        if found is not None and Path(found).exists():
            answer = subprocess.run([found, "-c", "import venv"], capture_output=True)
            if answer.returncode == 0:
                return found
    return None


def environment(version: str, python: str) -> Path:
    """The Python in the environment of a version of the hub, made where it is not there."""
    lock = FOLDER / f"requirements-{version}.lock"
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()
    folder = Path(sys.prefix) / f"hub-{version}"
    inside, stamp = folder / "bin" / "python", folder / "installed"
    if not stamp.exists() or stamp.read_text() != digest:
        # Filled by the tests' own pip: one inside takes seconds to put there, and is an older one.
        make = [python, "-m", "venv", "--clear", "--without-pip", folder]
        subprocess.run(make, check=True, timeout=600)
        command = f"-m pip --python {inside} install -qq --disable-pip-version-check"
        options = ["--no-compile", "--no-deps", "--require-hashes", "-r", lock]
        subprocess.run([sys.executable, *command.split(), *options], check=True, timeout=600)
        stamp.write_text(digest)
    return inside


@dataclass
class Seen:
    """An entity as the hub shows it.

    Attributes:
        states: all that it ever had, the present one last; None: it was removed.
    """

    states: list[str | None] = field(default_factory=list)
    attributes: dict[str, Any] = field(default_factory=dict)


class RealHub(Server):
    """The hub, connected to a broker and otherwise as it comes."""

    name = "hub"

    def __init__(self, folder: Path, python: Path, broker_port: int, automations: str) -> None:
        """Write its configuration.

        Args:
            automations: YAML, as in its file of automations.
        """
        super().__init__(folder)
        self._python = python
        self._config = folder / "config"
        shutil.copytree(FOLDER / "probe", self._config / "custom_components" / "probe")
        (self._config / "configuration.yaml").write_text(
            f"homeassistant:\n  time_zone: UTC\nhttp:\n  server_host: {HOST}\n"
            f"  server_port: {self.port}\nautomation: !include automations.yaml\nprobe:\n"
            "logger:\n  default: warning\n"
        )
        (self._config / "automations.yaml").write_text(automations)
        entry = {
            "entry_id": "0" * 32, "version": 1, "minor_version": 1, "domain": "mqtt",
            "title": "broker", "data": {"broker": HOST, "port": broker_port, "discovery": True},
            "options": {}, "pref_disable_new_entities": False, "pref_disable_polling": False,
            "source": "user", "unique_id": None, "disabled_by": None,
        }  # fmt: skip
        storage = self._config / ".storage"
        storage.mkdir()
        (storage / "core.config_entries").write_text(
            json.dumps(
                {
                    "version": 1,
                    "minor_version": 1,
                    "key": "core.config_entries",
                    "data": {"entries": [entry]},
                }
            )
        )
        self._pipe = folder / "asked"
        os.mkfifo(self._pipe)
        # Open for both, so that neither side waits for the other.
        self._asked = os.open(self._pipe, os.O_RDWR)
        self._read = 0
        self.entities: dict[str, Seen] = {}
        self.devices: dict[str, dict[str, Any]] = {}
        self.starts = 0

    def add_blueprint(self, path: str, text: str) -> None:
        """Put a blueprint of automations where the documentation says."""
        file = self._config / "blueprints" / "automation" / path
        file.parent.mkdir(parents=True)
        file.write_text(text)

    def command(self) -> Sequence[str]:
        """See ``Server``; standard input is a pipe by which services are called."""
        launch, config = str(FOLDER / "launch.py"), str(self._config)
        hub = [str(self._python), launch, "-c", config, "--skip-pip"]
        # What is compiled is kept, whatever holds elsewhere: it is the greater part of a start.
        script = f'unset PYTHONDONTWRITEBYTECODE; exec "$@" <{self._pipe}'
        return ["sh", "-c", script, "hub", *hub]

    def ready(self) -> bool:
        """Whether it has started, as often as it should have."""
        before = self.starts
        self.look()
        return self.starts > before

    def restart(self) -> None:
        """See ``Server``; on a busy machine it takes its time."""
        self.stop()
        self.start(START_S)

    def call(self, domain: str, service: str, **data: Any) -> None:
        """Call a service, such as ``button.press``."""
        os.write(self._asked, (json.dumps([domain, service, data]) + "\n").encode())

    def look(self) -> None:
        """Take in what it has reported since."""
        text = (self.folder / "log").read_bytes()[self._read :]
        lines = text[: text.rfind(b"\n") + 1]
        self._read += len(lines)
        for line in lines.decode(errors="replace").splitlines():
            if not line.startswith('{"probe"'):
                continue
            report = json.loads(line)
            kind = report.pop("probe")
            if kind == "started":
                self.starts += 1
            elif kind == "device":
                self.devices[report["id"]] = report
            elif kind == "state":
                seen = self.entities.setdefault(report["entity"], Seen())
                seen.states.append(report["state"])
                seen.attributes = report["attributes"]

    def state(self, entity: str) -> str | None:
        """The present state of an entity; None where there is none of this name."""
        self.look()
        return self.entities[entity].states[-1] if entity in self.entities else None

    def present(self, part: str) -> dict[str, str]:
        """State by id of all entities that are there, whose id has a part."""
        self.look()
        return {
            id: seen.states[-1]
            for id, seen in self.entities.items()
            if part in id and seen.states[-1] is not None
        }
