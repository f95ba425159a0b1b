"""``littoral --help`` and the usage errors of the demo, which is a program of its own."""

from __future__ import annotations

import importlib
import subprocess
import sys

import click
import pytest

from demo.command import command as demo_command
from service.cli import COMMANDS
from tests.cli.conftest import ROOT, process, refused


@pytest.mark.parametrize("name", COMMANDS)
def test_short_help_is_the_commands_own(name: str) -> None:
    entry = COMMANDS[name]
    command: click.Command = importlib.import_module(f"service.cli.{entry.module}").command
    assert command.name == name
    assert command.get_short_help_str(limit=200) == entry.short_help
    assert demo_command.get_short_help_str(limit=200) == COMMANDS["demo"].short_help


def test_help_lists_each_command_on_one_line() -> None:
    listed = process("--help").out.partition("Commands:\n")[2]
    lines = [f"{name} {entry.short_help}" for name, entry in sorted(COMMANDS.items())]
    assert [" ".join(line.split()) for line in listed.splitlines()] == lines


@pytest.mark.parametrize("arguments", [["--help"], ["nothing"]])
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    program = (
        "import sys; from service.cli import run; code = run(sys.argv[1:]); "
        "print(*sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    loaded = set(done.stderr.split())
    assert "click" in loaded
    heavy = {"numpy", "flask", "sqlalchemy", "marshmallow", "requests", "rich", "demo", "ingest"}
    assert not loaded & heavy


def test_the_demo_takes_its_options_and_refuses_in_one_line() -> None:
    assert "--check" in process("demo", "--help").out
    refused(process("demo", "--speed", "none"), "littoral demo", "--speed")
    refused(process("demo", "--check", "--speed", "2"), "--speed cannot go with --check")
