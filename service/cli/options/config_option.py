"""The option ``--config`` of the commands that read the configuration."""

from __future__ import annotations

from pathlib import Path

import click

config_option = click.option(
    "--config",
    "config_file",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="LITTORAL_CONFIG",
    help="TOML file; every key can be overridden by LITTORAL_SECTION__KEY in the environment.",
)
