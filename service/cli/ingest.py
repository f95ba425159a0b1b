"""``littoral ingest``: readings from the broker into the store."""

from __future__ import annotations

import logging
from pathlib import Path

import click

from ingest.app import Ingester
from service.cli.parts import config_option, configuration, opened, stop_signals

_log = logging.getLogger("littoral.ingest")


@click.command("ingest")
@config_option
def command(config_file: Path | None) -> None:
    """Take readings from the MQTT broker into the store until stopped.

    A message is acknowledged to the broker only after its reading is kept.
    """
    config = configuration(config_file)
    with opened(config) as parts, stop_signals() as stop:
        ingester = Ingester(config, parts.store, parts.registry, parts.clock)
        _log.info("listening at %s", config.mqtt.url.rpartition("@")[2])
        ingester.run(stop)
        _log.info("stopped")
