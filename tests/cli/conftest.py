"""The command line, run as a process would."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from service.cli import run
from tests.api.conftest import app, client, context, made  # noqa: F401 - fixtures used here too
from tests.over_http import look, url  # noqa: F401 - fixtures used here too

ROOT = Path(__file__).parents[2]


@dataclass
class Outcome:
    code: int
    out: str
    err: str


@pytest.fixture
def littoral(capsys):
    """Run ``littoral`` in this process; returns exit code and both streams."""

    def call(*arguments):
        code = run([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return call


def process(*arguments, **options):
    """Run ``python -m service`` as a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "service", *map(str, arguments)],
        **({"cwd": ROOT, "timeout": 180} | options),
        capture_output=True,
        text=True,
        check=False,
    )
    return Outcome(done.returncode, done.stdout, done.stderr)


def refused(outcome, *said):
    """An error is one line on stderr, exit 2, no traceback."""
    assert outcome.code == 2
    assert outcome.out == ""
    assert outcome.err.count("\n") == 1, outcome.err
    for text in said:
        assert text in outcome.err
