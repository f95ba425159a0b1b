"""The rule on a dark lamp."""

from __future__ import annotations

from datetime import time, timedelta

import numpy as np
import pytest

from service.advice.engine.recommendation import Severity
from service.registry.models.plans import GasPlan, LightPlan
from tests.advice.cases import HOUR, amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, grid, lamp


def test_dead_lamp_in_planned_hours() -> None:
    def dead_since_11(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        out[t >= grid(NOON, NOON)[0] - 3_600_000_000] = 10.0
        return out

    one = the(view_with(now=NOON, lux=dead_since_11), "light-dead")
    assert one.severity is Severity.WARNING
    assert amount(one, "dark while it should be on") == pytest.approx(60, abs=2)
    assert "sensor is covered" in one.action
    for hour, title in ((17, "The lamp is dark although"), (18, "The lamp stayed dark")):
        later = view_with(now=NOON.replace(hour=hour), lux=dead_since_11)
        assert the(later, "light-dead").title.startswith(title), "its hours end at 18:00"


def test_dead_lamp_is_quiet_at_night_within_grace_and_when_lit() -> None:
    assert found(view_with(now=NOON), "light-dead") == []
    assert found(view_with(now=NOON.replace(hour=22)), "light-dead") == []
    late = lambda t: lamp(t, on=10.75)  # noqa: E731
    assert found(view_with(now=NOON.replace(hour=10, minute=20), lux=late), "light-dead") == []


def test_a_whole_dark_day_is_reported_the_next_morning_and_clears_when_lit() -> None:
    def dark_yesterday(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        day = (grid(NOON, NOON)[0] - t) / 8.64e10
        out[(day > 0.5) & (day < 1.5)] = 10.0
        return out

    morning = NOON.replace(hour=8)
    assert the(view_with(now=morning, lux=dark_yesterday), "light-dead").title == (
        "The lamp stayed dark"
    )
    assert found(view_with(now=NOON, lux=dark_yesterday), "light-dead") == []


def test_plan_over_midnight() -> None:
    tank = a_tank(light=LightPlan(time(20), 8.0), gas=GasPlan())
    over = lambda t: np.where(((t / 3.6e9 % 24) >= 20) | ((t / 3.6e9 % 24) < 4), 12_000.0, 10.0)  # noqa: E731
    for hour in (1, 3, 6, 12, 19, 21):
        view = view_with(tank, NOON.replace(hour=hour), lux=over)
        assert found(view, "light-dead") == []
        assert found(view, "light-long") == []


def test_light_dead_keeps_quiet_for_a_timer_set_otherwise() -> None:
    """The lamp has gone off at 15 for days: that is short, not dead."""
    early = lambda t: lamp(t, off=15.0)  # noqa: E731
    view = view_with(now=NOON.replace(hour=16), lux=early)
    assert found(view, "light-dead") == []
    assert amount(the(view, "light-short"), "light missing") == pytest.approx(180, abs=3)


def test_a_lamp_that_comes_on_late_every_day_is_waited_for_until_then() -> None:
    """By plan at 10; on at 11:30 for days, and dark today."""

    def dark_today(t: np.ndarray) -> np.ndarray:
        out = lamp(t, on=11.5)
        out[t >= grid(NOON, NOON)[0] - 12 * 3_600_000_000] = 10.0
        return out

    waiting = view_with(now=NOON.replace(hour=11, minute=45), lux=dark_today)
    assert found(waiting, "light-dead") == []
    assert len(found(view_with(now=NOON.replace(hour=14), lux=dark_today), "light-dead")) == 1


def test_light_dead_holds_through_the_night() -> None:
    def died(t: np.ndarray) -> np.ndarray:
        return np.where(t > grid(NOON, NOON)[0], 10.0, lamp(t))

    for hours in (1, 5, 9, 15, 21, 24):
        view = view_with(now=NOON + hours * HOUR, lux=died)
        (one,) = found(view, "light-dead")
        assert one.since is not None and abs(one.since - NOON) < timedelta(minutes=2)
