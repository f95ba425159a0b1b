"""``littoral up``: ingester and API as two processes of one group, with a broker where asked.

This process only waits for them, so it imports nothing of what they do.
"""

from __future__ import annotations

import sys
import threading
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import click

from service.app.side_by_side import Ended, Part, SideBySide
from service.app.signals import set_by_signals
from service.cli.options.config_option import config_option

SIDE_BY_SIDE: Final = ("ingest", "serve")
_CHECK: Final = "check"
_LITTORAL: Final = (sys.executable, "-m", "service")


@click.command("up")
@config_option
@click.option(
    "--embedded-broker",
    is_flag=True,
    help="Run a broker too, at mqtt.url on this machine: to try Littoral out. It asks for no "
    "password and keeps nothing.",
)
@click.pass_context
def command(ctx: click.Context, config_file: Path | None, embedded_broker: bool) -> None:
    """Run ingest and serve side by side, until stopped.

    When one of them ends, the other is stopped too and the exit code is that of the first.
    """
    stop = threading.Event()
    with ExitStack() as stack:
        stack.enter_context(set_by_signals(stop))
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="littoral-up-")))
        together = stack.enter_context(SideBySide())
        ended = _start_broker(config_file, folder, together, stop) if embedded_broker else None
        if ended is None and not stop.is_set():
            ended = _run(config_file, together, stop)
    if ended is not None:
        if ended.name != _CHECK or ended.code < 0:  # else it has said itself what is wrong
            together.report(f"littoral up: {ended.why}; all is stopped")
        ctx.exit(ended.exit_code)


def _run(config_file: Path | None, together: SideBySide, stop: threading.Event) -> Ended | None:
    """Run ingester and API until ``stop`` is set; returns what ended by itself, if it did."""
    more = [] if config_file is None else ["--config", str(config_file)]
    # First, so that errors are printed once, and the databases are there for both.
    together.start(Part(_CHECK, [*_LITTORAL, "check", "--starting", *more]))
    ended = together.wait(stop)
    if ended is None or ended.name != _CHECK or ended.code:
        return ended
    for one in SIDE_BY_SIDE:
        together.start(Part(one, [*_LITTORAL, one, *more]))
    return together.wait(stop)


def _start_broker(
    config_file: Path | None, folder: Path, together: SideBySide, stop: threading.Event
) -> Ended | None:
    """Start the embedded broker and wait until it answers; returns how it ended, if it did."""
    from service.app.configuration import configuration
    from service.mqtt.connection import broker_refusal
    from service.mqtt.embedded_broker import chosen, command, embedded_port

    config = configuration(config_file).mqtt
    port = embedded_port(config)
    together.start(Part("broker", command(chosen("auto"), port, folder), outlives=True))
    return together.wait(stop, until=lambda: broker_refusal(config) is None)
