"""``littoral ingest``: stores readings from the MQTT broker."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Final

import click

from ingest.app import Ingester
from service.app.application import Missing, opened
from service.app.configuration import configuration
from service.app.file_modes import warn_of_wide_files
from service.app.heap import bound_heap, bound_page_caches, exempt_loaded
from service.app.signals import set_by_signals
from service.cli.options.config_option import config_option
from service.cli.options.parameters import NumberRange
from service.urls import redacted

_log = logging.getLogger("littoral.ingest")
#: It adds readings at the ends of series and reads little: 2 MB and 16 MB made nothing quicker.
_PAGE_CACHES_BYTES: Final = 1_000_000


@click.command("ingest")
@config_option
@click.option(
    "--dry-run",
    is_flag=True,
    help="Listen for a while and print what would be stored or why not; write nothing.",
)
@click.option(
    "--seconds",
    type=NumberRange(0.1),
    default=30.0,
    show_default=True,
    help="With --dry-run: listen for so many seconds.",
)
@click.option(
    "--topic",
    "topics",
    multiple=True,
    help="With --dry-run: listen to this MQTT filter too; # is all.",
)
@click.option(
    "--leave",
    is_flag=True,
    help="Give up the subscriptions, store what the broker still has for this client_id, and end.",
)
def command(
    config_file: Path | None, dry_run: bool, seconds: float, topics: tuple[str, ...], leave: bool
) -> None:
    """Store readings from the MQTT broker, until stopped.

    A message is acknowledged to the broker only after its reading is stored.
    """
    bound_heap()
    bound_page_caches(_PAGE_CACHES_BYTES)
    config = configuration(config_file)
    missing = Missing.STAND_IN if dry_run else Missing.START
    with opened(config, missing) as application, set_by_signals(application.stopping):
        if dry_run:
            from ingest.tools.dry_run import dry_run as listen

            lines = listen(
                config,
                application.registry,
                application.clock,
                seconds=seconds,
                also=topics,
                stop=application.stopping,
            )
            click.echo("\n".join(lines))
            return
        ingester = Ingester(
            config, application.store, application.registry, application.clock, leaving=leave
        )
        warn_of_wide_files(config, config_file)
        exempt_loaded()
        _log.info("listening at %s", redacted(config.mqtt.url))
        ingester.run(application.stopping)
        _log.info("stopped")
