"""``littoral up``: the ingester and the API, in one process group."""

from __future__ import annotations

import logging
import subprocess
import sys
import threading
from pathlib import Path

import click

from service.cli.parts import config_option, configuration, opened, stop_signals
from service.errors import ConfigError

_log = logging.getLogger("littoral.up")
STOP_WAIT_S = 30.0


@click.command("up")
@config_option
def command(config_file: Path | None) -> int:
    """Run ``ingest`` and ``serve`` side by side until stopped.

    When one of them ends, the other is stopped too and the exit code is that of the first.
    """
    with opened(configuration(config_file)):
        pass  # what cannot be opened is told once, here, and the schema stands for both
    given = [] if config_file is None else ["--config", str(config_file)]
    with stop_signals() as stop:
        children = {
            name: subprocess.Popen([sys.executable, "-m", "service", name, *given])
            for name in ("ingest", "serve")
        }
        try:
            return _wait(children, stop)
        finally:
            _stop(children)


def _wait(children: dict[str, subprocess.Popen[bytes]], stop: threading.Event) -> int:
    while not stop.wait(0.2):
        for name, child in children.items():
            code = child.poll()
            if code is not None:
                _log.error("%s has ended with exit code %d", name, code)
                return code or 1
    return 0


def _stop(children: dict[str, subprocess.Popen[bytes]]) -> None:
    for child in children.values():
        if child.poll() is None:
            child.terminate()
    for name, child in children.items():
        try:
            child.wait(STOP_WAIT_S)
        except subprocess.TimeoutExpired as error:
            child.kill()
            child.wait()
            raise ConfigError(f"{name} did not end within {STOP_WAIT_S:g} s") from error
