"""How far one water change may move a tank: the temperature to aim at, and parts by KH."""

from __future__ import annotations

import math

from service.advice.engine.rule import Case
from service.derive.models.quality import Quality
from service.science.water.hardness import dkh_from_meq_l

MOST_AT_ONCE = 0.99
"""Share above which a change counts as this: a tank is never left dry. Our choice."""


def tank_temperature_c(case: Case) -> float | None:
    """The tank's present temperature; None where it is not known."""
    found = case.view.temperature
    if found.reading is None or found.quality is Quality.STALE:
        return None
    return found.reading.value


def aim(case: Case, fraction: float) -> float | None:
    """The temperature of the new water, °C: the tank's own, or what its animals tolerate.

    A tank outside its range is brought nearer to it by no more than one allowed step.
    """
    celsius = tank_temperature_c(case)
    if celsius is None:
        return None
    found = case.view.temperature.tolerable
    low = -math.inf if found.low_c is None else found.low_c
    high = math.inf if found.high_c is None else found.high_c
    wanted = min(max(celsius, low), high)
    most = case.limit("temperature_step_max_c") / fraction
    return min(max(wanted, celsius - most), celsius + most)


def aim_text(case: Case, fraction: float) -> str:
    """What temperature to aim at; "" or ending in a blank."""
    celsius, aim_c = tank_temperature_c(case), aim(case, fraction)
    if celsius is None or aim_c is None:
        return ""
    if abs(aim_c - celsius) < 0.05:
        return f"Fill up with water of {aim_c:.0f} °C, as the tank has. "
    way = "warmer" if aim_c > celsius else "cooler"
    return f"Fill up with water of {aim_c:.0f} °C, {way} than the tank's {celsius:.1f} °C. "


def split(case: Case, fraction: float, new_kh_meq_l: float | None) -> tuple[int, float]:
    """In how many equal changes, a day apart, and of what share each, a change is to be made.

    The first moves KH most; together they renew as much water as the one.
    """
    present = case.view.co2.kh
    animals = any(stock.count for stock in case.tank.animals)
    if new_kh_meq_l is None or present is None or not animals:
        return 1, fraction
    apart_dkh = float(dkh_from_meq_l(abs(new_kh_meq_l - present.meq_l)))
    most = case.limit("kh_step_max_dkh")
    if fraction * apart_dkh <= most * 1.05:  # no kit tells them apart
        return 1, fraction
    largest = most / apart_dkh
    wanted = min(fraction, MOST_AT_ONCE)
    parts = math.ceil(math.log(1 - wanted) / math.log(1 - largest) - 1e-9)
    return parts, 1 - (1 - wanted) ** (1 / parts)
