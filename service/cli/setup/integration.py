"""``littoral integration``: empty the topics of what was removed from the configuration."""

from __future__ import annotations

import threading
from contextlib import closing
from pathlib import Path
from typing import Final

import click

from service.app.configuration import configuration
from service.cli.options.config_option import config_option
from service.errors import ConfigError
from service.registry.registry import open_registry

WITHIN_S: Final = 30.0
"""For the broker to be reached and to send what it retains. Our choice."""


@click.group("integration")
def command() -> None:
    """Empty topics of integrations that were removed.

    Advice, Homie and hub messages are retained: they stay at the broker until then.
    """


@command.command("clear")
@config_option
@click.option(
    "--all", "everything", is_flag=True, help="Those that are configured too; stop serve before."
)
def clear_topics(config_file: Path | None, everything: bool) -> None:
    """Empty retained topics of removed ones.

    Those of integrations that are no longer configured. `serve` and `up` do the same when they
    start. What was published is known from the registry.
    """
    from service.integrations.retired.clearing import clear
    from service.integrations.retired.publication import (
        publications,
        published_by_others,
        record,
        recorded,
    )

    config = configuration(config_file)
    with closing(open_registry(config.registry.url, create=False)) as registry:
        present = [*publications(config), *published_by_others(registry)]
        known = recorded(registry)
        retired = [one for one in known if everything or one not in present]
        if everything:
            retired += [one for one in present if one not in known]
        done = clear(config.mqtt, retired, threading.Event(), WITHIN_S)
        record(registry, present, emptied=done)
    for one in done:
        click.echo(f"Emptied: {one.words}.")
    if len(done) < len(retired):
        left = "; ".join(one.words for one in retired if one not in done)
        raise ConfigError(
            f"the broker was not reached within {WITHIN_S:.0f} s, so these are left: {left}"
        )
    if not retired:
        click.echo("Nothing is left of integrations that are no longer configured.")
