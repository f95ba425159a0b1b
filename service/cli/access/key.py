"""``littoral key``: the key that the pages are signed with."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import click

from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.config import make_clock
from service.registry.registry import open_registry


@click.group("key")
def command() -> None:
    """Replace the key that signs cookies and forms of the pages.

    It is in the registry, table signing_key, and nowhere else.
    """


@command.command("rotate")
@config_option
def rotate(config_file: Path | None) -> None:
    """Replace the key and log everybody out.

    At once, also while the service runs.
    """
    config = configuration(config_file)
    with closing(open_registry(config.registry.url, create=False)) as registry:
        ended = registry.rotate_signing_key(make_clock(config).now())
    click.echo(f"The key is replaced. Sessions ended: {ended}. Tokens stay as they are.")
