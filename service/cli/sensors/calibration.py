"""``littoral calibration``: list calibrations of sensors, and take back a wrong one."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote

import click

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option


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
    if as_json:
        click.echo(as_json_text({"calibrations": found}))
        return
    lines = [
        f"{one['id']}  {one['time'][:16].replace('T', ' ')} UTC  {one['text']}" for one in found
    ]
    click.echo("\n".join(lines) or "no calibration in the log")


@command.command("undo")
@click.argument("tank")
@click.argument("entry", metavar="ID")
@json_option
@service_options
def undo(tank: str, entry: str, as_json: bool, url: str, token: str | None) -> None:
    """Undo the calibration of an ID: the readings since are calculated without it."""
    path = f"/v1/tanks/{quote(tank, safe='')}/calibrations/{quote(entry, safe='')}"
    with service_client(url, token) as client:
        done = client.send("DELETE", path, None)
    if as_json:
        click.echo(as_json_text(done))
    else:
        click.echo(f"Undone: {done['readings']} readings since, {done['changed']} changed.")


def _line(one: Mapping[str, str]) -> str:
    time = one["time"][:16].replace("T", " ")
    return f"{one['id']}  {time} UTC  {one['text']}"
