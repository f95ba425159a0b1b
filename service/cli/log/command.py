"""``littoral log``: note what was done to a tank, or seen in it."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import click

from service.cli.log import calibration
from service.cli.log.entry import entry_command, line_of, quantities
from service.cli.output import as_json_text, json_option
from service.cli.quantity_parameter import QuantityParameter
from service.cli.service_options import asking, service_options

_PERCENT: Final = click.FloatRange(0, 100, min_open=True)
_KH: Final = QuantityParameter("dKH", "meq/L", low=0, high=50)
_GH: Final = QuantityParameter("dGH", "meq/L", low=0, high=50)
_LITRES: Final = QuantityParameter("L", "L", low=0)
_WARMTH: Final = QuantityParameter("Cel", "Cel", low=0, high=60)


@click.group("log")
def command() -> None:
    """Note what was done to a tank or seen in it, or list what was."""


_entry: Final = partial(entry_command, command)
calibration.add_to(command)


@_entry(
    "water-change",
    "A water change, told as a share or as a volume.",
    click.option("--percent", type=_PERCENT, help="Of the net volume; this or --volume."),
    click.option("--volume", type=_LITRES, help="Changed water; bare: litres."),
    click.option("--temperature", type=_WARMTH, help="Of the new water; bare: °C."),
    click.option("--kh", type=_KH, help="Of the new water; bare: dKH."),
)
def _water_change(
    percent: float | None, volume: float | None, temperature: float | None, kh: float | None
) -> dict[str, Any]:
    if (percent is None) == (volume is None):
        raise click.UsageError("one of --percent and --volume is needed")
    return quantities(
        fraction=(percent, "%"), volume=(volume, "L"), temperature=(temperature, "Cel"),
        kh=(kh, "meq/L"),
    )  # fmt: skip


@_entry(
    "dose",
    "A dose of fertiliser, told in millilitres or in grams.",
    click.option("--name", required=True, help="As in the tank's plan."),
    click.option("--ml", type=click.FloatRange(0, min_open=True), help="Of a solution."),
    click.option("--g", type=click.FloatRange(0, min_open=True), help="Of a dry salt."),
)
def _dose(name: str, ml: float | None, g: float | None) -> dict[str, Any]:
    if (ml is None) == (g is None):
        raise click.UsageError("one of --ml and --g is needed")
    return {"name": name, **quantities(volume=(ml, "mL"), mass=(g, "g"))}


@_entry(
    "kh-test",
    "A test of carbonate hardness.",
    click.option("--kh", type=_KH, required=True, help="Bare: dKH."),
)
@_entry(
    "gh-test",
    "A test of general hardness.",
    click.option("--gh", type=_GH, required=True, help="Bare: dGH."),
)
def _test(**hardness: float) -> dict[str, Any]:
    return quantities(**{name: (value, "meq/L") for name, value in hardness.items()})


@_entry(
    "trim",
    "Plants were cut back.",
    click.option("--percent", type=_PERCENT, help="Of the plants."),
    click.option("--part", help="Which plants."),
)
@_entry(
    "replant",
    "Plants were put in, or the soil was stirred.",
    click.option("--percent", type=_PERCENT, help="Of the soil."),
    click.option("--part", help="Which corner."),
)
@_entry(
    "filter-clean",
    "A filter was cleaned.",
    click.option("--part", help="Which filter, or which part of it."),
)
def _touched(part: str | None, percent: float | None = None) -> dict[str, Any]:
    return quantities(fraction=(percent, "%")) | ({"part": part} if part else {})


@_entry(
    "stocking",
    "Animals came in or left.",
    click.option("--species", required=True, help="Scientific name."),
    click.option("--count", type=int, required=True, help="How many; below 0: how many left."),
)
def _stocking(species: str, count: int) -> dict[str, Any]:
    return {"species": species, "count": count}


@_entry("observation", "Whatever was seen; say it with --note.")
def _observation() -> dict[str, Any]:
    return {}


@command.command("list")
@click.argument("tank")
@click.option("--kind", help="Only entries of this kind.")
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True)
@json_option
@service_options
def list_(
    tank: str, kind: str | None, limit: int, as_json: bool, url: str, token: str | None
) -> None:
    """List what was noted of TANK, newest first."""
    with asking(url, token) as client:
        entries = client.log(tank, kind=kind, limit=limit)
    if as_json:
        click.echo(as_json_text({"tank": tank, "entries": entries}))
    else:
        click.echo("\n".join(line_of(entry) for entry in entries) or "nothing noted yet")
