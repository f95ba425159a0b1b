"""``littoral check``: whether ``up``, ``serve`` and ``ingest`` could start."""

from __future__ import annotations

from pathlib import Path

import click

from ingest.tools.route_check import check_routes
from service.app.application import Missing, opened
from service.app.configuration import configuration
from service.app.file_modes import wide_files
from service.app.protection import require_protection
from service.cli.options.config_option import config_option
from service.mqtt.connection import broker_refusal, check_broker


@click.command("check")
@click.option("--create", is_flag=True, help="Make registry and store where they are missing.")
@click.option(
    "--starting",
    is_flag=True,
    hidden=True,
    help="Check as up, serve and ingest do when they start.",
)
@config_option
def command(create: bool, starting: bool, config_file: Path | None) -> None:
    """Check configuration, store, registry and access.

    Exit code 2: something is wrong; the first of it is named on standard error.
    """
    config = configuration(config_file)
    missing = Missing.CREATE if create else Missing.START if starting else Missing.STAND_IN
    with opened(config, missing) as application:
        check_routes(application.config)
        check_broker(application.config.mqtt)
        require_protection(application.config, application.registry)
        _ = application.integrations
        health = application.store.health()
        refusal = broker_refusal(application.config.mqtt) if starting else None
    if refusal is not None:
        click.echo(
            f"littoral: {refusal}; ingest tries again until one does. On Debian: apt-get install "
            "mosquitto; to try Littoral out: littoral up --embedded-broker",
            err=True,
        )
    if starting and not health.reachable:
        click.echo(f"littoral: starting without the store: {health.detail}", err=True)
    if starting:
        return
    for line in wide_files(config, config_file):
        click.echo(line)
    click.echo("in order")
