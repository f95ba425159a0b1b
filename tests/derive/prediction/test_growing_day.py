"""The growing day: shares by hand from the sources that it names."""

from __future__ import annotations

import numpy as np
import pytest

from service.derive.prediction.growing_day import growing_day
from service.registry.models.plans import PlantTargets

PLANTS = PlantTargets(20.0, 30.0, 2.0, 5.0)
LIT = np.arange(288) < 96


def day(co2: float = 30.0, celsius: float = 25.0, dli: float | None = 4.0, lit=LIT):
    courses = (np.full((300, 288), value) for value in (co2, celsius))
    return growing_day(lit, *courses, dli, PLANTS)


def shares(found) -> list[float | None]:
    return [None if one.fraction is None else one.fraction.value for one in found.factors]


def test_nothing_limits_a_day_with_enough_of_all() -> None:
    found = day()
    assert shares(found) == pytest.approx([1.0, 1.0, 1.0])
    assert found.limiting == ""


def test_little_co2_limits_by_half_saturation() -> None:
    """At 4 mg/L, half of ample (Maberly & Madsen 1998): 0.5 / (30 / 34)."""
    found = day(co2=4.0)
    assert shares(found)[1] == pytest.approx(0.5 * 34 / 30)
    assert found.limiting == "co2"


def test_cool_water_halves_growth_in_ten_degrees() -> None:
    """Twice as much per 10 °C (Barko & Smart 1981, order of magnitude)."""
    found = day(celsius=15.0)
    assert shares(found)[2] == pytest.approx(0.5)
    assert shares(day(celsius=30.0))[2] == pytest.approx(1.0)
    assert found.limiting == "temperature"


def test_weak_light_limits_and_unknown_light_says_nothing() -> None:
    assert shares(day(dli=1.0))[0] == pytest.approx(0.5)
    assert day(dli=1.0).limiting == "light"
    assert shares(day(dli=None))[0] is None and day(dli=None, co2=4.0).limiting == ""


def test_a_dark_day_grows_nothing() -> None:
    found = day(lit=np.zeros(288, np.bool_), dli=None)
    assert found.limiting == "light" and shares(found) == [0.0, None, None]


def test_every_factor_names_its_source() -> None:
    assert all("memory" in one.source or "no source" in one.source for one in day().factors)
