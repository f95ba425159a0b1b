"""Rule on CO2 that does not flow."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from service.advice.engine.recommendation import Severity
from service.registry.models.log import LogKind
from tests.advice.cases import found, the, usual_log, view_with
from tests.derive.pieces import NOON, entry, gassed, grid

ON = NOON.replace(hour=8)
MINUTE = timedelta(minutes=1)


def not_today(time_us):
    """As usual on the days before; today CO2 stays where the night left it."""
    today = time_us >= grid(ON, ON)[0]
    return np.where(today, gassed(time_us, rise_per_h=0.0), gassed(time_us))


def test_co2_that_does_not_start_is_seen_after_an_hour() -> None:
    one = the(view_with(now=ON + 65 * MINUTE, co2=not_today), "gas-out")
    assert one.severity is Severity.WARNING
    assert one.title == "CO2 did not start: no rise since 08:00"
    assert "Don't open the needle valve" in one.action
    assert one.since == ON
    assert found(view_with(now=ON + 50 * MINUTE, co2=not_today), "gas-out") == []


def test_a_usual_morning_and_one_after_a_water_change_are_left_alone() -> None:
    now = ON + 65 * MINUTE
    assert found(view_with(now=now), "gas-out") == []
    change = entry(LogKind.WATER_CHANGE, ON + 10 * MINUTE, fraction=0.5)
    changed = view_with(now=now, co2=not_today, log=[change, *usual_log()])
    assert found(changed, "gas-out") == []


def test_co2_that_was_never_switched_off_need_not_rise() -> None:
    all_night = lambda t: np.where(t >= grid(ON, ON)[0] - 6 * 3600 * 10**6, 26.0, gassed(t))  # noqa: E731
    assert found(view_with(now=ON + 65 * MINUTE, co2=all_night), "gas-out") == []


def test_it_is_over_when_co2_rises() -> None:
    active = frozenset({("gas-out", "")})
    late = lambda t: np.where(t >= grid(ON, ON)[0], gassed(t, on=9.0), gassed(t))  # noqa: E731
    assert found(view_with(now=ON + 65 * MINUTE, co2=late), "gas-out", active) != []
    assert found(view_with(now=ON + 100 * MINUTE, co2=late), "gas-out", active) == []
