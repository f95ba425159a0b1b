"""``littoral --help`` and the usage errors of the demo, which is a program of its own."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from collections.abc import Iterator
from enum import Enum

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


def _groups(command: click.Command, path: str) -> Iterator[tuple[str, click.Group]]:
    if isinstance(command, click.Group):
        yield path, command
        for name, below in command.commands.items():
            yield from _groups(below, f"{path} {name}")


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - {"log"}))
def test_what_a_subcommand_does_is_not_cut_off(name: str) -> None:
    """The kinds of ``log`` aside, which have the sentences of the API."""
    command = importlib.import_module(f"service.cli.{COMMANDS[name].module}").command
    for path, group in _groups(command, name):
        listed = click.Context(group, info_name=path).get_help().partition("Commands:\n")[2]
        assert "..." not in listed


def test_every_command_has_the_short_option_for_help() -> None:
    assert process("demo", "-h").code == 0


def _choices(command: click.Command) -> Iterator[click.Choice[object]]:
    for one in command.params:
        if isinstance(one.type, click.Choice):
            yield one.type
    for below in command.commands.values() if isinstance(command, click.Group) else ():
        yield from _choices(below)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_choice_is_made_among_the_words_of_the_interface(name: str) -> None:
    """Of an enumeration click would offer the names of the code, such as WATER_CHANGE."""
    command = importlib.import_module(f"service.cli.{COMMANDS[name].module}").command
    for choice in _choices(command):
        assert not [one for one in choice.choices if isinstance(one, Enum)], choice


HEAVY = {
    "numpy", "flask", "sqlalchemy", "marshmallow", "pint", "requests", "rich", "paho", "demo",
    "ingest",
}  # fmt: skip
CO2 = ["co2", "--ph=6.6", "--kh=4", "--temperature=24"]


@pytest.mark.parametrize(
    ("arguments", "needed"),
    [
        (["--help"], set()),
        (["nothing"], set()),
        (["up", "--help"], set()),
        (["demo", "--help"], set()),
        (CO2, {"numpy"}),
        ([*CO2, "--json"], {"numpy", "marshmallow"}),
        ([*CO2[:-1], "--temperature=75 degF"], {"numpy", "pint"}),
        (["advice", "--help"], {"requests"}),
        (["trial", "list", "--help"], {"requests"}),
    ],
)
def test_a_command_imports_what_it_runs(arguments: list[str], needed: set[str]) -> None:
    program = (
        "import os, sys; from service.cli import run; os.execv = lambda *_: None; "
        "code = run(sys.argv[1:]); "
        "print(*sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    loaded = set(done.stderr.split())
    assert "click" in loaded
    assert loaded & HEAVY == needed


def test_a_command_starts_no_threads_for_linear_algebra() -> None:
    program = (
        "import atexit, os, sys; from service.cli import main; "
        "atexit.register(lambda: print(len(os.listdir('/proc/self/task')), file=sys.stderr)); "
        "main()"
    )
    environ = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", program, *CO2],
        cwd=ROOT, env=environ, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert done.stderr == "1\n"


def test_the_demo_takes_its_options_and_refuses_in_one_line() -> None:
    assert "--check" in process("demo", "--help").out
    refused(process("demo", "--speed", "none"), "littoral demo", "--speed")
    refused(process("demo", "--check", "--speed", "2"), "--speed cannot go with --check")
