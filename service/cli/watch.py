"""``littoral watch``: tanks in one table that is kept at the present."""

from __future__ import annotations

import time

import click
from rich.console import Console
from rich.live import Live
from rich.table import Table

from service.cli.asking import asking, service_options
from service.cli.shown import as_json_text, sparkline
from service.cli.status import Status, status_of
from service.client import Client


@click.command("watch")
@click.argument("tanks", nargs=-1)
@click.option(
    "--every", type=click.FloatRange(1, 3600), default=10.0, show_default=True,
    help="Ask each so many seconds.",
)  # fmt: skip
@click.option("--count", type=click.IntRange(1), help="End after so many times; default: never.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object each time.")
@service_options
def command(
    tanks: tuple[str, ...],
    every: float,
    count: int | None,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """Show TANKS, or all, and keep asking until stopped."""
    console = Console()
    with asking(url, token) as client, Live(console=console, auto_refresh=False) as live:
        done = 0
        while True:
            found = _ask(client, tanks)
            if as_json:
                click.echo(as_json_text({"tanks": found}))
            else:
                live.update(_table(found), refresh=True)
            done += 1
            if count is not None and done >= count:
                return
            time.sleep(every)


def _ask(client: Client, tanks: tuple[str, ...]) -> list[Status]:
    """Those that are not in order first."""
    wanted = tanks or tuple(tank.id for tank in client.tanks())
    return sorted((status_of(client, tank) for tank in wanted), key=lambda one: one.in_order)


def _table(found: list[Status]) -> Table:
    table = Table("Tank", "", "CO2, mg/L", "last day", "°C", "last day", "to do")
    for one in found:
        co2, warmth = one.co2.co2, one.temperature.temperature
        table.add_row(
            one.tank,
            "in order" if one.in_order else "not in order",
            "unknown" if co2 is None else f"{co2.value:.1f} {one.co2.state}",
            sparkline(one.co2_day),
            "unknown" if warmth is None else f"{warmth.value:.1f} {one.temperature.state}",
            sparkline(one.temperature_day),
            "\n".join(f"{each.severity}: {each.title}" for each in one.recommendations)
            or "nothing",
        )
    return table
