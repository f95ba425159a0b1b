"""``littoral init``: a configuration file to begin with."""

from __future__ import annotations

from pathlib import Path

import click

from service.errors import ConfigError


@click.command("init")
@click.argument(
    "file", type=click.Path(dir_okay=False, path_type=Path), default=Path("littoral.toml")
)
def command(file: Path) -> None:
    """Write a configuration file with every key and what it is for.

    FILE is littoral.toml unless given; one that is there is not overwritten. It sets the defaults,
    with which Littoral also runs without any file.
    """
    from service.config.template import template

    try:
        with file.open("x", encoding="utf-8") as new:
            new.write(template())
    except FileExistsError:
        raise ConfigError(
            f"{file} is there already; allowed: a name that is free, or move that file away first"
        ) from None
    click.echo(f"{file} is written. Start with: littoral up --config {file}")
