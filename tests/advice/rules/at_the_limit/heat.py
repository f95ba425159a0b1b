"""Temperature and oxygen at the limits of their rules."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from service.advice.engine.rule import Case
from service.advice.rules.heat.oxygen import saturation_mg_l
from service.derive.models.tank_view import TankView
from service.derive.models.temperature import Forecast
from service.registry.models.tank import Stock
from service.science.temperature.excursions import Excursion
from tests.advice.rules.at_the_limit.views import Jitter, Walk, base, reading, with_tank
from tests.derive.pieces import NOON, a_tank


def warm(view: TankView, celsius: float, **changes: Any) -> TankView:
    """The same with another temperature now."""
    now = replace(view.temperature, reading=reading("temperature", celsius), **changes)
    return replace(view, temperature=now)


def oxygen(x: Jitter) -> TankView:
    value = reading("dissolved_oxygen", 5.0 + 0.1 * x())
    return replace(base(), latest={**base().latest, "dissolved_oxygen": value})


def oxygen_very_low(x: Jitter) -> TankView:
    value = reading("dissolved_oxygen", 3.0 + 0.1 * x())
    return replace(base(), latest={**base().latest, "dissolved_oxygen": value})


@cache
def limit_of_saturation_c() -> float:
    """The temperature at which water holds as much oxygen as the rule asks for."""
    case = Case(base())
    return next(c for c in np.arange(24.0, 40.0, 0.05) if saturation_mg_l(case, float(c)) < 7.6)


def oxygen_by_temperature(x: Jitter) -> TankView:
    return warm(base(), limit_of_saturation_c() + 0.1 * x())


def excursion(view: TankView, celsius: float, *, peak_c: float, tap_c: float = 15.0) -> TankView:
    plan = replace(view.tank.water_change, tap_temperature_c=tap_c)
    end_s = NOON.timestamp()
    one = Excursion(end_s - 7200, end_s, "above", 28.0, peak_c, 1.0, False, peak_s=end_s - 600)
    view = replace(view, tank=replace(view.tank, water_change=plan), excursions=(one,))
    return warm(view, celsius)


def temperature_out(x: Jitter) -> TankView:
    return excursion(base(), 28.0 + 0.1 * x(), peak_c=28.6)


def temperature_far_out(x: Jitter) -> TankView:
    return excursion(base(), 30.0 + 0.1 * x(), peak_c=30.3)


def temperature_coming(x: Jitter) -> TankView:
    at_s = NOON.timestamp() + 3600 * (2 + 0.5 * x())
    coming = Forecast("above", 28.0, at_s, at_s - 3600, at_s + 3600, 0.8 + 0.1 * x())
    return warm(base(), 27.5, rate_k_h=0.25, forecast=coming)


def temperature_coming_late(x: Jitter) -> TankView:
    at_s = NOON.timestamp() + 3600 * (6 + 0.5 * x())
    coming = Forecast("above", 28.0, at_s, at_s - 3600, at_s + 3600, 0.95)
    return warm(base(), 27.5, rate_k_h=0.25, forecast=coming)


def temperature_fast(x: Jitter) -> TankView:
    return warm(base(), 25.0, rate_k_h=1.0 + 0.15 * x())


def temperature_very_fast(x: Jitter) -> TankView:
    return warm(base(), 25.0, rate_k_h=2.0 + 0.15 * x())


def temperature_comfort(x: Jitter) -> TankView:
    stock = Stock(
        "Corydoras paleatus", 6, temperature_low_c=20.0, temperature_high_c=30.0,
        comfortable_low_c=22.0, comfortable_high_c=25.0,
    )  # fmt: skip
    view = with_tank(a_tank(id="warm", animals=(stock,)))
    end_s = NOON.timestamp()
    length_s = 12 * 3600 + 1800 * x()
    one = Excursion(end_s - length_s, end_s, "above", 25.0, 25.3, 1.0, False, peak_s=end_s)
    return warm(replace(view, discomforts=(one,)), 25.0 + 0.1 * x())


def temperature_cooling(x: Jitter) -> TankView:
    view = with_tank(a_tank(id="cool", heated=False))
    minima = tuple(24.0 - 0.11 * day + 0.02 * x() for day in range(9))
    return replace(view, daily_minima_c=(*minima[:-1], 23.0 + 0.1 * x()))


WALKS: dict[str, tuple[Walk, ...]] = {
    "oxygen-low": (
        oxygen,
        oxygen_very_low,
        oxygen_by_temperature,
    ),
    "temperature-out": (
        temperature_out,
        temperature_far_out,
    ),
    "temperature-coming": (
        temperature_coming,
        temperature_coming_late,
    ),
    "temperature-fast": (
        temperature_fast,
        temperature_very_fast,
    ),
    "temperature-comfort": (temperature_comfort,),
    "temperature-cooling": (temperature_cooling,),
}
