"""``littoral observations TANK``: what was seen, on a scale; ``--scales``: what its steps mean."""

from __future__ import annotations

from itertools import islice

import click
from rich.text import Text

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.tank_times import words_now
from service.cli.output.terminal import show, table
from service.client import Observation, ObservationScale
from service.registry.log.observations import OBSERVATIONS


@click.command("observations")
@click.argument("tank", required=False)
@click.option("--kind", type=click.Choice(list(OBSERVATIONS)), help="Only those of this kind.")
@click.option("--scales", is_flag=True, help="List the kinds and what their steps mean.")
@click.option(
    "--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="So many at most."
)
@json_option
@service_options
def command(
    tank: str | None,
    kind: str | None,
    scales: bool,
    limit: int,
    as_json: bool,
    url: str,
    token: str | None,
) -> None:
    """List what was seen in a tank, on a scale of 0 to 5.

    Newest first. It is logged with littoral log observation TANK --kind KIND --level LEVEL. Asks a
    running service.
    """
    if scales == (tank is not None):
        raise click.UsageError("TANK or --scales is needed, one of them")
    with service_client(url, token) as client:
        if tank is None:
            listed = [one for one in client.observation_scales() if kind in (None, one.kind)]
            click.echo(as_json_text({"observations": listed}) if as_json else _scales(listed))
            return
        found = list(islice(client.observations(tank, kind=kind), limit))
        zone = client.tank(tank).time_zone
    if as_json:
        click.echo(as_json_text({"tank": tank, "observations": found}))
    elif found:
        _show(found, zone)
    else:
        click.echo("no observations on a scale")


def _scales(scales: list[ObservationScale]) -> str:
    """The kinds with their steps, as lines."""
    lines = []
    for one in scales:
        lines.append(f"{one.kind}: {one.title}")
        lines += [f"  {level}  {step}" for level, step in enumerate(one.steps)]
    return "\n".join(lines)


def _show(found: list[Observation], zone: str) -> None:
    rows = table("when", "kind", "level", "what it means", "by", "note")
    for one in found:
        cells = (words_now(one.time, zone), one.kind, str(one.level), one.step, one.by, one.note)
        rows.add_row(*(Text(cell) for cell in cells))
    show(rows)
