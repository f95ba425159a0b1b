"""``littoral status TANK``: is this tank in order?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import click

from service.cli.asking import asking, service_options
from service.cli.shown import as_json_text, sparkline
from service.client import Client, Co2, Light, Recommendation, Temperature

_NOT_IN_ORDER: Final = ("warning", "urgent")
_OUTSIDE: Final = ("below", "above")
_LAG: Final = timedelta(minutes=10)
"""The newest light reading may be so much older than that of pH."""


@dataclass(frozen=True)
class Status:
    """What is known of a tank now.

    Attributes:
        in_order: nothing stands in ``why``.
        why: sentences: open warnings, CO2 outside its target while lit, temperature outside what
            the animals share, and what of both is not known.
        co2_day, temperature_day: means of each hour of the last day, mg/L and °C; None: unknown.
    """

    tank: str
    name: str
    in_order: bool
    why: list[str]
    co2: Co2
    temperature: Temperature
    light: Light
    recommendations: list[Recommendation]
    co2_day: list[float | None]
    temperature_day: list[float | None]


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
    click.echo(as_json_text(status) if as_json else text_of(status))
    ctx.exit(0 if status.in_order else 1)


def status_of(client: Client, tank: str) -> Status:
    """Ask for everything that tells whether a tank is in order."""
    tank_ = client.tank(tank)
    co2, temperature, light = client.co2(tank), client.temperature(tank), client.light(tank)
    advice = client.recommendations(tank, state="open")
    why = [one.title for one in advice if one.severity in _NOT_IN_ORDER]
    if co2.co2 is None and tank_.document.get("co2_injected", True):
        why.append(f"CO2 is unknown: {'; '.join(co2.reasons)}")
    elif co2.state in _OUTSIDE and _lit(client, tank, co2.time):
        why.append(f"CO2 is {co2.state} its target while lit")
    if temperature.temperature is None:
        why.append(f"temperature is unknown: {'; '.join(temperature.reasons)}")
    elif temperature.state in _OUTSIDE:
        why.append(f"temperature is {temperature.state} what the animals share")
    co2_day = [point.value for point in client.co2_series(tank, every="1h")]
    return Status(
        tank, tank_.name, not why, why, co2, temperature, light, advice, co2_day,
        _temperature_day(client, tank),
    )  # fmt: skip


def _lit(client: Client, tank: str, time: datetime | None) -> bool:
    """Whether the tank was lit when CO2 was last known."""
    spans = client.get(f"/v1/tanks/{tank}/light")["lit"]
    ends = [tuple(datetime.fromisoformat(span[end]) for end in ("start", "end")) for span in spans]
    return time is not None and any(start <= time <= end + _LAG for start, end in ends)


def _temperature_day(client: Client, tank: str) -> list[float | None]:
    believed = [
        one.sensor for one in client.sensors(tank) if one.quantity == "temperature" and one.believed
    ]
    if not believed:
        return []
    hours = client.readings(tank, quantity="temperature", sensor=believed[0], every="1h")
    return [one.value for one in hours]


def text_of(status: Status) -> str:
    """What is known of a tank, for a person."""
    verdict = "in order" if status.in_order else "not in order"
    titles = {one.title for one in status.recommendations}
    lines = [f"{status.name} ({status.tank}): {verdict}"]
    lines += [f"  ! {reason}" for reason in status.why if reason not in titles]
    lines += [f"  {line}" for line in _curves(status)]
    lines.append(f"  {_light(status.light)}")
    for one in status.recommendations:
        due = "" if one.due is None else f", by {one.due:%a %d %b %H:%M} UTC"
        lines.append(f"  {one.severity}: {one.title}{due}")
        lines.append(f"    {one.action}")
    if not status.recommendations:
        lines.append("  nothing to do")
    return "\n".join(lines)


def _curves(status: Status) -> list[str]:
    pairs = (
        (_co2(status.co2), status.co2_day),
        (_warmth(status.temperature), status.temperature_day),
    )
    return [f"{line}  {sparkline(day)}".rstrip() for line, day in pairs]


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
