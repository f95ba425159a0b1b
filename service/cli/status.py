"""``littoral status TANK``: is this tank in order?"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any, Final

import click

from service.cli.asking import asking, service_options
from service.client import Client, Co2, Light, Recommendation, Temperature

_NOT_IN_ORDER: Final = ("warning", "urgent")


@dataclass(frozen=True)
class Status:
    """What is known of a tank now.

    Attributes:
        in_order: no open recommendation is a warning or urgent, and CO2 and temperature are
            known where there is a sensor for them.
        why: sentences: what is not in order.
    """

    tank: str
    name: str
    in_order: bool
    why: list[str]
    co2: Co2
    temperature: Temperature
    light: Light
    recommendations: list[Recommendation]


@click.command("status")
@click.argument("tank")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@service_options
@click.pass_context
def command(ctx: click.Context, tank: str, as_json: bool, url: str, token: str | None) -> None:
    """Ask a running service whether TANK is in order.

    Exit codes: 0 in order, 1 not in order, 2 it could not be asked.
    """
    with asking(url, token) as client:
        status = status_of(client, tank)
    click.echo(_json(status) if as_json else _text(status))
    ctx.exit(0 if status.in_order else 1)


def status_of(client: Client, tank: str) -> Status:
    """Ask for everything that tells whether a tank is in order."""
    name = client.tank(tank).name
    co2, temperature, light = client.co2(tank), client.temperature(tank), client.light(tank)
    advice = client.recommendations(tank, state="open")
    why = [one.title for one in advice if one.severity in _NOT_IN_ORDER]
    measured = {one.quantity for one in client.sensors(tank)}
    if co2.co2 is None and "ph" in measured:
        why.append(f"CO2 is unknown: {'; '.join(co2.reasons)}")
    if temperature.temperature is None and "temperature" in measured:
        why.append(f"temperature is unknown: {'; '.join(temperature.reasons)}")
    return Status(tank, name, not why, why, co2, temperature, light, advice)


def _text(status: Status) -> str:
    verdict = "in order" if status.in_order else "not in order"
    lines = [f"{status.name} ({status.tank}): {verdict}"]
    lines += [f"  {line}" for line in (_co2(status.co2), _warmth(status.temperature))]
    lines.append(f"  {_light(status.light)}")
    for one in status.recommendations:
        due = "" if one.due is None else f", by {one.due:%a %d %b %H:%M} UTC"
        lines.append(f"  {one.severity}: {one.title}{due}")
        lines.append(f"    {one.action}")
    if not status.recommendations:
        lines.append("  nothing to do")
    return "\n".join(lines)


def _co2(co2: Co2) -> str:
    if co2.co2 is None:
        return f"CO2 unknown: {'; '.join(co2.reasons)}"
    found = co2.co2
    text = (
        f"CO2 {found.value:.1f} mg/L (95 %: {found.low:.1f} to {found.high:.1f}), {co2.state} "
        f"{co2.target.low:g} to {co2.target.high:g}"
    )
    return text if co2.quality == "good" else f"{text}, {co2.quality}"


def _warmth(temperature: Temperature) -> str:
    if temperature.temperature is None:
        return f"temperature unknown: {'; '.join(temperature.reasons)}"
    text = f"temperature {temperature.temperature.value:.1f} °C"
    low, high = temperature.range.low, temperature.range.high
    if low is not None and high is not None:
        text += f", {temperature.state} {low:g} to {high:g}"
    if temperature.rate is not None:
        text += f", {temperature.rate.value:+.2f} K/h"
    return text


def _light(light: Light) -> str:
    if light.photoperiod is None:
        return f"light unknown: {'; '.join(light.reasons)}"
    text = f"light {light.photoperiod.value:.1f} h today of {light.planned.value:g} h"
    return text if light.dli is None else f"{text}, {light.dli.value:.2f} mol/m2/d"


def _json(status: Status) -> str:
    return json.dumps(asdict(status), default=_plain, ensure_ascii=False, indent=2)


def _plain(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    assert isinstance(value, date)
    return value.isoformat()
