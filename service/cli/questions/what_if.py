"""``littoral what-if TANK``: a settled day with other settings, beside today's."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Final

import click
from rich.text import Text

from service.cli.options.parameters import NumberRange, SpanParameter
from service.cli.options.quantity_parameter import QuantityParameter
from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.terminal import show, table
from service.client import Estimate, PredictedDay
from service.times import format_span


@click.command("what-if")
@click.argument("tank")
@click.option("--light-start", metavar="TIME", help="Local time, such as 10:30.")
@click.option("--photoperiod", type=SpanParameter(), help="Hours of light, such as 7h30m.")
@click.option("--gas-start", metavar="TIME", help="Local time of the CO2.")
@click.option("--gas-end", metavar="TIME", help="Local time of the CO2.")
@click.option(
    "--injection-factor",
    type=NumberRange(0, 5),
    help="CO2 flow as a multiple of today's, such as 1.2.",
)
@click.option(
    "--surface-factor",
    type=NumberRange(0.2, 5),
    help="Exchange with the air at the surface, likewise.",
)
@click.option("--kh", type=QuantityParameter("dKH", "meq/L", low=0, high=20), help="Another KH.")
@click.option(
    "--water-change-fraction",
    type=QuantityParameter("%", "%", low=0, high=100),
    help="Another fraction of the water, changed each time.",
)
@click.option(
    "--water-change-every", type=SpanParameter(), help="Another time between changes, such as 7d."
)
@click.option(
    "--animals",
    multiple=True,
    metavar="SPECIES=COUNT",
    help="To come, beside those that are there.",
)
@json_option
@service_options
def command(tank: str, as_json: bool, url: str, token: str | None, **asked: Any) -> None:
    """Predict a settled day with other settings.

    Beside today's, with how much of light, CO2 and temperature plants can use. Asks a running
    service; nothing is changed.
    """
    given = {name: _json(name, value) for name, value in asked.items() if value not in (None, ())}
    with service_client(url, token) as client:
        found = client.what_if(tank, **given)
    if as_json:
        click.echo(as_json_text(found))
        return
    rows = table("", "today", "changed")
    for name, today, changed in zip(
        _NAMES, _cells(found.today), _cells(found.changed), strict=True
    ):
        rows.add_row(Text(name), Text(today), Text(changed))
    show(rows)
    for reason in found.reasons:
        click.echo(reason)


_UNITS: Final = {"kh": "meq/L", "water_change_fraction": "%"}


def _json(name: str, value: Any) -> Any:
    """What an option asks, as JSON."""
    if name in _UNITS:
        return {"value": value, "unit": _UNITS[name]}
    if name == "animals":
        return [_stock(one) for one in value]
    return format_span(value) if isinstance(value, timedelta) else value


def _stock(text: str) -> dict[str, Any]:
    species, _, count = text.partition("=")
    if not species.strip() or not count.strip().isdecimal():
        allowed = 'SPECIES=COUNT, such as "Paracheirodon innesi=10"'
        raise click.UsageError(f"--animals is {text!r}; allowed: {allowed}")
    return {"species": species.strip(), "count": int(count)}


_NAMES = (
    "light, h",
    "lit within the CO2 target, h",
    "CO2 at lights-on, mg/L",
    "highest CO2, mg/L",
    "light, of what plants can use",
    "CO2 while lit, of what plants can use",
    "temperature while lit, of what plants can use",
    "what limits growth",
)


def _cells(day: PredictedDay) -> tuple[str, ...]:
    shares = {one.name: one.fraction for one in day.growing.factors}
    return (
        f"{day.photoperiod.value:.1f}",
        _estimate(day.lit_within, 1),
        _estimate(day.co2_at_lights_on, 0),
        _estimate(day.co2_peak, 0),
        *(_percent(shares[name]) for name in ("light", "co2", "temperature")),
        day.growing.limiting or "nothing, or not known",
    )


def _estimate(one: Estimate, digits: int) -> str:
    return f"{one.value:.{digits}f} ({one.low:.{digits}f} to {one.high:.{digits}f})"


def _percent(one: Estimate | None) -> str:
    return "not known" if one is None else f"{100 * one.value:.0f} %"
