"""The units of systemd, judged by systemd's own tools."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.servers import program

UNITS = Path(__file__).parents[2] / "docker" / "systemd"
INSTALLED = "/opt/littoral/venv/bin/littoral"
NAMES = sorted(one.name for one in UNITS.glob("*.service"))


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    command = [program("systemd-analyze"), *map(str, words)]
    environ = {**os.environ, "SYSTEMD_COLORS": "0"}
    return subprocess.run(command, capture_output=True, text=True, timeout=60, env=environ)


@pytest.mark.needs("systemd-analyze")
@pytest.mark.parametrize("name", NAMES)
def test_systemd_has_nothing_to_say_about_a_unit(name: str, tmp_path: Path) -> None:
    """But for the place of the command, where this machine has none."""
    unit = tmp_path / name
    command = tmp_path / "littoral"
    command.write_text("#!/bin/sh\n")
    command.chmod(0o755)
    text = (UNITS / name).read_text()
    assert text.count(INSTALLED) == 1
    unit.write_text(text.replace(INSTALLED, str(command)))
    verified = analyze("verify", "--man=no", unit)
    assert (verified.returncode, verified.stdout, verified.stderr) == (0, "", "")
    unit.write_text(text.replace("NoNewPrivileges", "NoNewPrivilege"))
    assert "NoNewPrivilege" in analyze("verify", "--man=no", unit).stderr


@pytest.mark.parametrize("name", NAMES)
def test_a_unit_exposes_little(name: str, tmp_path: Path) -> None:
    """systemd's own measure of exposure: 0 none, 10 most; below 2 is "OK"."""
    judged = analyze("security", "--offline=true", "--threshold=19", UNITS / name)
    assert judged.returncode == 0, judged.stdout[-300:]
    open_unit = tmp_path / name
    open_unit.write_text("[Service]\nExecStart=/bin/true\n")
    assert analyze("security", "--offline=true", "--threshold=19", open_unit).returncode != 0
