"""``littoral log``: note what was done to a tank or seen in it."""

from __future__ import annotations

from functools import partial
from typing import Any

import click

from service.cli.log import calibration
from service.cli.log.entry import entry_command, line_of
from service.cli.log.options import data_of, options_of
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.registry.fields.log.entry import LogData
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind


@click.group("log")
def command() -> None:
    """Log what was done to a tank or seen in it, or list what was."""


def _add(kind: LogKind, schema: LogData) -> None:
    """Add the command of a kind."""
    if kind is LogKind.CALIBRATION:
        calibration.add_to(command, schema)
    else:
        text = type(schema).__doc__ or schema.label
        entry_command(command, kind.value, text, *options_of(schema))(partial(_data, schema))


def _data(schema: LogData, **given: Any) -> dict[str, Any]:
    return data_of(schema, given)


for _kind, _schema in KINDS.items():
    _add(_kind, _schema)


@command.command("list")
@click.argument("tank")
@click.option(
    "--kind", type=click.Choice([kind.value for kind in LogKind]), help="Only entries of this kind."
)
@click.option(
    "--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="So many at most."
)
@json_option
@service_options
def list_(
    tank: str, kind: str | None, limit: int, as_json: bool, url: str, token: str | None
) -> None:
    """List the log of TANK, newest first."""
    with service_client(url, token) as client:
        entries = client.log(tank, kind=kind, limit=limit)
        zone = client.tank(tank).time_zone
    if as_json:
        click.echo(as_json_text({"tank": tank, "entries": entries}))
    else:
        click.echo(
            "\n".join(f"{entry.id}  {line_of(entry, zone)}" for entry in entries) or "no entries"
        )


@command.command("delete")
@click.argument("tank")
@click.argument("entry", metavar="ID")
@service_options
def delete(tank: str, entry: str, url: str, token: str | None) -> None:
    """Delete an entry of TANK.

    For one that was written by mistake; littoral log list has its ID.
    """
    with service_client(url, token) as client:
        client.delete_log(tank, entry)
    click.echo(f"Entry {entry} of {tank} is deleted.")
