"""``littoral serve``: API, pages, advice and integrations, until stopped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from service.app.application import Missing, opened
from service.app.configuration import configuration
from service.app.file_modes import warn_of_wide_files
from service.app.heap import bound_heap
from service.app.signals import set_by_signals
from service.cli.options.config_option import config_option


@click.command("serve")
@config_option
@click.option("--host", help="Overrides http.host.")
@click.option("--port", type=click.IntRange(0, 65_535), help="Overrides http.port; 0: any free.")
def command(config_file: Path | None, host: str | None, port: int | None) -> None:
    """Serve API and pages and publish advice, until stopped."""
    bound_heap()
    config = configuration(config_file)
    http = replace(
        config.http,
        host=config.http.host if host is None else host,
        port=config.http.port if port is None else port,
    )
    with (
        opened(replace(config, http=http), Missing.START) as application,
        set_by_signals(application.stopping),
    ):
        # Here, since it takes longest: what is wrong so far is reported at once.
        from service.app.serving import serve

        warn_of_wide_files(config, config_file)
        serve(application)
