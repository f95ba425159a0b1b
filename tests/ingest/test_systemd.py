"""The systemd units fit what they start."""

from __future__ import annotations

import configparser
from pathlib import Path

import pytest

from ingest.app import FLUSH_PATIENCE_S, STOP_PATIENCE_S
from service.cli import run
from service.config import IngestConfig

FOLDER = Path(__file__).parents[2] / "docker" / "systemd"


def unit(name):
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str
    parser.read(FOLDER / f"{name}.service")
    return parser


@pytest.mark.parametrize("name", ["littoral-ingest", "littoral-serve"])
def test_unit_starts_a_command_that_exists_and_may_write_only_its_own_folder(name, capsys):
    service = unit(name)["Service"]
    program, command, option, file = service["ExecStart"].split()
    assert Path(program).name == "littoral"
    assert Path(file).is_absolute()
    assert run([command, "--help"]) == 0
    assert option in capsys.readouterr().out
    assert service["ProtectSystem"] == "strict"
    assert service["NoNewPrivileges"] == "yes"
    assert service["WorkingDirectory"] == f"/var/lib/{service['StateDirectory']}"
    assert not Path(IngestConfig().spool_path).is_absolute()


def test_systemd_waits_until_the_ingester_has_ended_by_itself():
    wait_s = float(unit("littoral-ingest")["Service"]["TimeoutStopSec"].removesuffix("s"))
    assert wait_s > STOP_PATIENCE_S + 2 * FLUSH_PATIENCE_S + 5
