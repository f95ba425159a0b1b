"""``littoral calibration``: list calibrations of sensors, and take back a wrong one."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from urllib.parse import quote

import click

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.tank_times import words_now


@click.group("calibration")
def command() -> None:
    """List the calibrations of a tank's sensors, or undo one.

    A new one is made on the page of the tank, or with littoral log calibration.
    """


@command.command("list")
@click.argument("tank")
@json_option
@service_options
def list_(tank: str, as_json: bool, url: str, token: str | None) -> None:
    """List the calibrations of TANK, newest first."""
    with service_client(url, token) as client:
        found = client.get(f"/v1/tanks/{quote(tank, safe='')}/calibrations")["calibrations"]
        zone = client.tank(tank).time_zone
    if as_json:
        click.echo(as_json_text({"calibrations": found}))
        return
    click.echo("\n".join(_line(one, zone) for one in found) or "no calibration in the log")


@command.command("undo")
@click.argument("tank")
@click.argument("entry", metavar="ID")
@json_option
@service_options
def undo(tank: str, entry: str, as_json: bool, url: str, token: str | None) -> None:
    """Undo the calibration of an ID.

    The readings since are calculated without it.
    """
    path = f"/v1/tanks/{quote(tank, safe='')}/calibrations/{quote(entry, safe='')}"
    with service_client(url, token) as client:
        done = client.send("DELETE", path, None)
    if as_json:
        click.echo(as_json_text(done))
    else:
        click.echo(f"Undone: {done['readings']} readings since, {done['changed']} changed.")


def _line(one: Mapping[str, str], zone: str) -> str:
    return f"{one['id']}  {words_now(datetime.fromisoformat(one['time']), zone)}  {one['text']}"
