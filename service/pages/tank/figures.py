"""The three figures of a tank that are read at a glance: CO2, temperature, light.

Each has its value, a mark with a word, a trend, and the last day as a small line.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from service.derive.inputs import Inputs
from service.derive.light.source import LIGHT_QUANTITIES
from service.derive.models.co2 import Array, Co2Series
from service.derive.models.tank_view import TankNow
from service.pages.drawings.curves import Canvas, thinned
from service.pages.local_time import LocalTime
from service.pages.tank.summary import Line, co2_line, light_line, temperature_line
from service.registry.models.plans import LightPlan
from service.times import to_us

WIDTH: Final = 120.0
HEIGHT: Final = 28.0
MARGIN: Final = 0.08
"""Room above and below the curve, as a share of its span. Our choice."""
POINTS: Final = 96
DAY_S: Final = 86_400.0
GAP_S: Final = 3600.0

NOW_S: Final = 900.0
BEFORE_S: Final = (2700.0, 4500.0)
"""A trend of CO2 is the mean of the last quarter of an hour against that of an hour before."""
STEADY_MG_L_H: Final = 1.0
"""Less than this is steady: the noise of a pH probe makes as much. Our choice."""
STEADY_K_H: Final = 0.05


@dataclass(frozen=True, slots=True)
class Trend:
    """Where a figure is going: ``up``, ``down``, ``level`` or ``clock`` (a switch), in words."""

    way: str
    words: str


@dataclass(frozen=True, slots=True)
class DayLine:
    """The last 24 hours as a small line, 120 wide and 28 high.

    Attributes:
        curves: points of each unbroken stretch, for ``polyline``; none of single readings.
        target: top and height of the range aimed at; None where there is none.
        words: the same in words.
    """

    curves: tuple[str, ...]
    target: tuple[float, float] | None
    words: str


@dataclass(frozen=True, slots=True)
class Figure:
    """One of the three.

    Attributes:
        key: of its chart on the tank's page.
        name: what it is.
        line: value, unit, state and mark.
        trend: None where it is not known.
        day: the last day.
    """

    key: str
    name: str
    line: Line
    trend: Trend | None
    day: DayLine


def figures_of(view: TankNow, inputs: Inputs, local_time: LocalTime) -> tuple[Figure, ...]:
    """CO2, temperature and light of a tank."""
    co2, temperature = view.co2_series, inputs.series("temperature")
    quantity, light = _light(view, inputs)
    target = (view.co2.target_low_mg_l, view.co2.target_high_mg_l)
    tolerable = view.temperature.tolerable
    return (
        Figure(
            "co2",
            "CO2",
            co2_line(view),
            _co2_trend(co2, view.now),
            _day("CO2", "mg/L", co2.time_us / 1e6, co2.value, view.now, target, floor=0.0),
        ),
        Figure(
            "temperature",
            "Water",
            temperature_line(view),
            _temperature_trend(view),
            _day(
                "temperature", "°C", temperature.time_s, temperature.value, view.now,
                (tolerable.low_c, tolerable.high_c), decimals=1,
            ),
        ),
        Figure(
            "light",
            "Light",
            light_line(view, local_time),
            _light_trend(view, local_time),
            _day("light", quantity, *light, view.now, floor=0.0),
        ),
    )  # fmt: skip


def _light(view: TankNow, inputs: Inputs) -> tuple[str, tuple[Array, Array]]:
    """Unit and series of the light that counts."""
    reading = None if view.light is None else view.light.reading
    measured = [one for one in LIGHT_QUANTITIES if len(inputs.series(one))]
    quantity = reading.quantity if reading is not None else next(iter(measured), "")
    samples = inputs.series(quantity)
    return ("lx" if quantity == "illuminance" else "µmol/m²/s"), (samples.time_s, samples.value)


def _day(
    name: str,
    unit: str,
    time_s: Array,
    value: Array,
    now: datetime,
    aim: tuple[float | None, float | None] = (None, None),
    *,
    floor: float | None = None,
    decimals: int = 0,
) -> DayLine:
    """The last day of a course; its scale holds the range aimed at as far as it lies near."""
    end_s = to_us(now) / 1e6
    chosen = (time_s > end_s - DAY_S) & ~np.isnan(value)
    if not chosen.any():
        return DayLine((), None, "no readings in 24 h")
    least, most = float(value[chosen].min()), float(value[chosen].max())
    span = max(most - least, 1.0)
    near = [one for one in aim if one is not None and least - span <= one <= most + span]
    low = min([least, *near]) - MARGIN * span if floor is None else floor
    high = max([most, *near]) + MARGIN * span
    canvas = Canvas(WIDTH, HEIGHT, end_s - DAY_S, end_s, low, high)
    aim_low, aim_high = aim
    target = None
    if aim_low is not None and aim_high is not None and aim_low < high and aim_high > low:
        target = canvas.range(aim_low, aim_high)
    ends = dict.fromkeys((f"{least:.{decimals}f}", f"{most:.{decimals}f}"))
    words = f"{name} of the last 24 h: {' to '.join(ends)} {unit}"
    points = thinned(time_s[chosen], value[chosen], POINTS)
    return DayLine(canvas.curves(*points, GAP_S), target, words)


def _co2_trend(series: Co2Series, now: datetime) -> Trend | None:
    end_s = to_us(now) / 1e6
    age_s = end_s - series.time_us / 1e6
    known = ~np.isnan(series.value)
    last = series.value[known & (age_s <= NOW_S)]
    before = series.value[known & (age_s > BEFORE_S[0]) & (age_s <= BEFORE_S[1])]
    if not len(last) or not len(before):
        return None
    hours = (sum(BEFORE_S) / 2 - NOW_S / 2) / 3600
    rate = float(last.mean() - before.mean()) / hours
    return _rate(rate, STEADY_MG_L_H, f"{abs(rate):.0f} mg/L per hour")


def _temperature_trend(view: TankNow) -> Trend | None:
    rate = view.temperature.rate_k_h
    return None if rate is None else _rate(rate, STEADY_K_H, f"{abs(rate):.1f} °C per hour")


def _rate(rate: float, steady: float, amount: str) -> Trend:
    if abs(rate) < steady:
        return Trend("level", "steady")
    return Trend("up", f"rising {amount}") if rate > 0 else Trend("down", f"falling {amount}")


def _light_trend(view: TankNow, local_time: LocalTime) -> Trend | None:
    """When the lamp switches next, by the plan."""
    if view.light is None or view.light.lit is None:
        return None
    word, at = next_switch(view.tank.light, local_time)
    return Trend("clock", f"plan: {word} {at:%H:%M}") if word else None


def next_switch(plan: LightPlan, local_time: LocalTime) -> tuple[str, datetime]:
    """What the lamp does next by the plan, ``on`` or ``off``, and when; "" where it never does."""
    here = local_time.local(local_time.now)
    if not 0 < plan.photoperiod_h < 24:
        return "", here
    switches = []
    for days in (-1, 0, 1):
        day = here.date() + timedelta(days=days)
        on = datetime.combine(day, plan.start, tzinfo=local_time.zone)
        switches += [(on, "on"), (on + timedelta(hours=plan.photoperiod_h), "off")]
    at, word = min(one for one in switches if one[0] > here)
    return word, at
