"""The rule on a lamp that is on at other hours than planned."""

from __future__ import annotations

from datetime import time

import pytest

from service.registry.models.plans import GasPlan, LightPlan
from service.registry.models.tank import Tank
from tests.advice.cases import amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, lamp

NIGHT = NOON.replace(hour=3)


def shifted(hours: float, tank: Tank | None = None):  # type: ignore[no-untyped-def]
    """The lamp on from 10 to 18 as planned, all of it later by so many hours."""
    return view_with(tank, NIGHT, lux=lambda t: lamp(t, on=10.0 + hours, off=18.0 + hours))


@pytest.mark.parametrize(
    ("hours", "way", "back"),
    [(1.0, "late", "earlier"), (-1.0, "early", "later"), (2.0, "late", "earlier")],
)
def test_a_shift_is_undone_the_other_way(hours: float, way: str, back: str) -> None:
    one = the(shifted(hours), "light-shifted")
    assert one.title.endswith(f" {way}")
    assert f" {back}, and see that CO2 still comes on in time" in one.action
    assert ("summer time" in one.action) == (abs(hours) == 1.0)
    assert amount(one, "difference from the plan") == pytest.approx(60 * hours, abs=2)


@pytest.mark.parametrize("hours", [0.7, -0.7, 0.0])
def test_up_to_three_quarters_of_an_hour_are_no_shift(hours: float) -> None:
    """45 min is our choice."""
    assert found(shifted(hours), "light-shifted") == []


def test_one_shifted_day_alone_is_none_and_no_plan_has_no_shift() -> None:
    def once(t):  # type: ignore[no-untyped-def]
        old = (NIGHT.timestamp() * 1e6 - t) / 8.64e10 > 1.0
        return lamp(t) * old + lamp(t, on=12.0, off=20.0) * ~old

    assert found(view_with(a_tank(), NIGHT, lux=once), "light-shifted") == []
    dark = a_tank(light=LightPlan(time(10), 0.0), gas=GasPlan())
    assert found(shifted(2.0, dark), "light-shifted") == []
