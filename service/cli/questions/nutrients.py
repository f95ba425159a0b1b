"""``littoral nutrients TANK``: estimated NO3, PO4, K and Fe."""

from __future__ import annotations

import click
from rich.text import Text

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.terminal import show, table
from service.client import Nutrient


@click.command("nutrients")
@click.argument("tank")
@json_option
@service_options
def command(tank: str, as_json: bool, url: str, token: str | None) -> None:
    """Estimate NO3, PO4, K and Fe of a tank.

    With 95 % intervals, from doses, water changes and tests in the log; asks a running service.
    """
    with service_client(url, token) as client:
        found = client.nutrients(tank)
    if as_json:
        click.echo(as_json_text(found))
        return
    rows = table("nutrient", "mg/L", "95 %", "uptake mg/L/d", "95 %", "tests")
    for one in found.nutrients:
        rows.add_row(*(Text(cell) for cell in _cells(one)))
    show(rows)
    for reason in found.reasons:
        click.echo(reason)


def _cells(one: Nutrient) -> tuple[str, ...]:
    level, uptake = one.level, one.uptake
    return (
        one.ion,
        f"{level.value:.2g}",
        f"{level.low:.2g} to {level.high:.2g}",
        f"{uptake.value:.2g}",
        f"{uptake.low:.2g} to {uptake.high:.2g}",
        str(one.tests),
    )
