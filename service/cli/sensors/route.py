"""``littoral route``: which MQTT topics feed which tanks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

import click

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.config.route_schema import FORMATS
from service.quantities import QUANTITIES


@click.group("route")
def command() -> None:
    """List, make and delete routes from topics to tanks.

    Routes of the configuration are listed too; they are changed in its file. What arrives at the
    broker, and routes for it: littoral ingest --dry-run --topic '#'.
    """


@command.command("list")
@json_option
@service_options
def list_(as_json: bool, url: str, token: str | None) -> None:
    """List all routes, those of the configuration first."""
    with service_client(url, token) as client:
        found = client.get("/v1/routes")["routes"]
    if as_json:
        click.echo(as_json_text({"routes": found}))
        return
    click.echo("\n".join(map(_line, found)) or "no routes; littoral/TANK/QUANTITY needs none")


@command.command("add")
@click.argument("topic")
@click.option("--tank", help="Its id; needed unless TOPIC has {tank}.")
@click.option("--quantity", type=click.Choice(list(QUANTITIES)))
@click.option("--sensor", help="Default: main.")
@click.option("--path", help="Of the value in a JSON payload, as data.0.value.")
@click.option("--unit", help="Of the value, where the payload has none, as degF.")
@click.option("--format", "format_", type=click.Choice(FORMATS), help="Default: auto.")
@json_option
@service_options
def add(
    topic: str,
    tank: str | None,
    quantity: str | None,
    sensor: str | None,
    path: str | None,
    unit: str | None,
    format_: str | None,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Make a route: readings on TOPIC belong to a tank.

    A running ingester uses it within seconds.
    """
    given = {
        "topic": topic,
        "tank": tank,
        "quantity": quantity,
        "sensor": sensor,
        "path": path,
        "unit": unit,
        "format": format_,
    }
    with service_client(url, token) as client:
        made = client.send(
            "POST", "/v1/routes", {name: value for name, value in given.items() if value}
        )
    click.echo(as_json_text(made) if as_json else _line(made))


@command.command("delete")
@click.argument("route_id", metavar="ID")
@json_option
@service_options
def delete(route_id: str, as_json: bool, url: str, token: str | None) -> None:
    """Delete the route of an ID; the readings that it brought stay."""
    with service_client(url, token) as client:
        deleted = client.send("DELETE", f"/v1/routes/{quote(route_id, safe='')}", None)
    click.echo(as_json_text(deleted) if as_json else f"Deleted: {_line(deleted)}")


def _line(one: Mapping[str, Any]) -> str:
    route = one["route"]
    what = " ".join(
        [
            route["tank"] or "{tank}",
            route["quantity"] or "{quantity}",
            route["sensor"] or "",
        ]
    ).rstrip()
    members = ("path", "unit")
    more = ", ".join(f"{name} {route[name]}" for name in members if route[name])
    origin = one["id"] or "configuration"
    unused = f"  not used: {one['unused']}" if one["unused"] else ""
    return f"{origin}  {route['topic']} -> {what}{f' ({more})' if more else ''}{unused}"
