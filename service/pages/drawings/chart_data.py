"""What the charts need besides the series that they fetch from the API."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from service.derive.models.tank_view import TankView
from service.times import to_us

RANGES: Final = {"day": 1, "week": 7, "month": 30, "year": 365}
"""Word -> days of a chart's range."""


def chart_data(view: TankView) -> dict[str, Any]:
    """The frame of the charts of a tank as JSON; times in unix seconds."""
    co2, temperature = view.co2, view.temperature
    light = _light_quantity(view)
    return {
        "tank": view.tank.id,
        "zone": view.tank.time_zone,
        "now": _seconds(view.now),
        "last": max((info.last.time_us for info in view.sensors), default=0) / 1e6,
        "co2": {"low": co2.target_low_mg_l, "high": co2.target_high_mg_l},
        "temperature": {
            "low": temperature.tolerable.low_c,
            "high": temperature.tolerable.high_c,
            "sensor": _sensor(view, "temperature"),
        },
        "light": {"quantity": light, "sensor": _sensor(view, light)},
        "lit_from": _lit_from(view),
        "lit": [
            [_seconds(start), _seconds(end)] for day in view.light_days for start, end in day.lit
        ],
    }


def _lit_from(view: TankView) -> float:
    """The start of what ``lit`` covers; the present moment where it is empty."""
    if not view.light_days:
        return _seconds(view.now)
    first = view.light_days[0].day
    return _seconds(
        datetime(first.year, first.month, first.day, tzinfo=ZoneInfo(view.tank.time_zone))
    )


def _light_quantity(view: TankView) -> str:
    if view.light is not None and view.light.reading is not None:
        return view.light.reading.quantity
    measured = {info.key.quantity for info in view.sensors}
    return "illuminance" if "illuminance" in measured and "ppfd" not in measured else "ppfd"


def _sensor(view: TankView, quantity: str) -> str | None:
    """The sensor to draw: the one the current value is from, else that of the latest reading."""
    current = {
        "temperature": view.temperature.reading,
        "illuminance": view.light.reading if view.light else None,
        "ppfd": view.light.reading if view.light else None,
    }[quantity]
    if current is not None and current.quantity == quantity:
        return current.sensor
    series = [info for info in view.sensors if info.key.quantity == quantity]
    return max(series, key=lambda info: info.last.time_us).key.sensor if series else None


def _seconds(moment: datetime) -> float:
    return to_us(moment) / 1e6
