"""Whether a tank is in order, and what that rests on, asked from a running service."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from service.client import Client, Co2, Light, Recommendation, Temperature

_NOT_IN_ORDER: Final = ("warning", "urgent")
_SEVERITIES: Final = ("info", "advice", "warning", "urgent")
_OUTSIDE: Final = ("below", "above")
_LAG: Final = timedelta(minutes=10)
"""The newest light reading may be so much older than that of pH."""


@dataclass(frozen=True)
class TankStatus:
    """What is known of a tank now.

    Attributes:
        time_zone: IANA name.
        in_order: ``why`` is empty.
        why: sentences: open warnings, CO2 outside its target while lit, temperature outside what
            the animals share, and what of both is not known.
        co2_day, temperature_day: means of each hour of the last day, mg/L and °C; None: unknown.
    """

    tank: str
    name: str
    time_zone: str
    in_order: bool
    why: list[str]
    co2: Co2
    temperature: Temperature
    light: Light
    recommendations: list[Recommendation]
    co2_day: list[float | None]
    temperature_day: list[float | None]

    @property
    def urgency(self) -> tuple[bool, int, int, str]:
        """Sorts the worst tank first: by the highest severity, by how many of it, then by id."""
        ranks = [_SEVERITIES.index(one.severity) for one in self.recommendations]
        worst = max(ranks, default=-1)
        return self.in_order, -worst, -ranks.count(worst), self.tank


def statuses_of(client: Client) -> list[TankStatus]:
    """Of all tanks, the worst first."""
    found = [status_of(client, tank.id) for tank in client.tanks()]
    return sorted(found, key=lambda one: one.urgency)


def status_of(client: Client, tank: str) -> TankStatus:
    """Ask for everything that decides whether a tank is in order."""
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
    return TankStatus(
        tank, tank_.name, tank_.time_zone, not why, why, co2, temperature, light, advice, co2_day,
        _temperature_day(client, tank),
    )  # fmt: skip


def _lit(client: Client, tank: str, time: datetime | None) -> bool:
    """Whether the tank was lit when CO2 was last known."""
    spans = client.get(f"/v1/tanks/{tank}/light")["lit"]
    ends = [tuple(datetime.fromisoformat(span[end]) for end in ("start", "end")) for span in spans]
    return time is not None and any(start <= time <= end + _LAG for start, end in ends)


def _temperature_day(client: Client, tank: str) -> list[float | None]:
    usable = [
        one.sensor for one in client.sensors(tank) if one.quantity == "temperature" and one.believed
    ]
    if not usable:
        return []
    hours = client.readings(tank, quantity="temperature", sensor=usable[0], every="1h")
    return [one.value for one in hours]
