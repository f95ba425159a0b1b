"""``littoral up``: ingester and API as two processes of one group.

This process only waits for the two, so it imports nothing of what they do.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from service.app.child_process_guard import PATIENCE_S, ChildProcessGuard
from service.app.signals import set_by_signals
from service.cli.options.config_option import config_option

SIDE_BY_SIDE: Final = ("ingest", "serve")
_LITTORAL: Final = (sys.executable, "-m", "service")
_TICK_S: Final = 0.2


@click.command("up")
@config_option
@click.pass_context
def command(ctx: click.Context, config_file: Path | None) -> None:
    """Run ingest and serve side by side, until stopped.

    When one of them ends, the other is stopped too and the exit code is that of the first.
    """
    more = [] if config_file is None else ["--config", str(config_file)]
    # First, so that errors are printed once, and the databases are there for both.
    checked = subprocess.run(
        [*_LITTORAL, "check", "--starting", *more],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    click.echo(checked.stderr, nl=False, err=True)
    if checked.returncode:
        ctx.exit(checked.returncode)
    commands = [[*_LITTORAL, one, *more] for one in SIDE_BY_SIDE]
    stop = threading.Event()
    with set_by_signals(stop):
        ctx.exit(run_together(commands, stop))


def run_together(commands: Sequence[Sequence[str]], stop: threading.Event) -> int:
    """Run commands side by side until ``stop`` is set or one of them ends.

    Should this process be killed, they end too.

    Returns:
        0 when stopped; else the exit code of the one that ended, 1 if that was 0.
    """
    guard = ChildProcessGuard()
    running = [subprocess.Popen(guard.command(one), pass_fds=guard.fds) for one in commands]
    ended: int | None = None
    try:
        while ended is None and not stop.wait(_TICK_S):
            codes = [one.poll() for one in running]
            ended = next((code for code in codes if code is not None), None)
    finally:
        _end(running)
        guard.close()
    return 0 if ended is None else (ended if ended > 0 else 1)


def _end(running: Sequence[subprocess.Popen[bytes]]) -> None:
    for one in running:
        if one.poll() is None:
            one.terminate()
    for one in running:
        try:
            one.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            click.echo(f"littoral up: process {one.pid} did not end and is killed", err=True)
            one.kill()
            one.wait()
