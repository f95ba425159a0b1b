"""Planned light, and which light CO2 is judged by."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.derive.light.plan import judged_light, planned_lit
from service.derive.tank_view import tank_view
from service.registry.models.log import LogKind
from tests.derive.pieces import (
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    inputs_with,
)

DAY = timedelta(days=1)
EVENING = NOON.replace(hour=22)


def test_light_beyond_the_plan_is_not_the_gas_s_fault() -> None:
    span = ((NOON - 4 * timedelta(hours=1), NOON + 8 * timedelta(hours=1)),)
    late = NOON + 9 * timedelta(hours=1)
    assert judged_light(a_tank(), span, [], late) == (
        (NOON - timedelta(hours=2), NOON + timedelta(hours=6)),
    )
    night = ((NOON + 8 * timedelta(hours=1), NOON + 14 * timedelta(hours=1)),)
    assert judged_light(a_tank(), night, [], NOON + DAY) == night  # the plan is not the tank's


def test_three_hours_after_a_water_change_do_not_count() -> None:
    span = ((NOON - timedelta(hours=2), NOON + timedelta(hours=6)),)
    change = entry(LogKind.WATER_CHANGE, NOON, fraction=0.5)
    assert judged_light(a_tank(), span, [change], NOON + timedelta(hours=9)) == (
        (NOON - timedelta(hours=2), NOON),
        (NOON + timedelta(hours=3), NOON + timedelta(hours=6)),
    )


def test_without_a_light_sensor_the_plan_counts() -> None:
    series = days_of(EVENING, co2=lambda t: gassed(t, high=14.0))
    del series["illuminance"]
    view = tank_view(inputs_with(a_tank(), EVENING, series))
    assert view.co2_lit is not None and view.co2_lit.lit_from == "plan"
    assert view.co2_lit.below_min == pytest.approx(480, abs=5)
    assert planned_lit(a_tank(), NOON.date(), NOON) == ((NOON - timedelta(hours=2), NOON),)
