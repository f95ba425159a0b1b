"""The rule on a lamp that is on for too long."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import numpy as np
import pytest

from service.advice import cautions
from service.advice.engine.catalogue import evaluate
from service.advice.engine.recommendation import Severity
from service.registry.models.plans import GasPlan, LightPlan
from tests.advice.cases import HOUR, amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, grid, lamp


def test_lamp_that_is_still_on_is_switched_off_and_gets_no_figure() -> None:
    late = view_with(now=NOON + 8 * HOUR, lux=lambda t: lamp(t, off=24.0))
    one = the(late, "light-long")
    assert "Switch the lamp off now" in one.action
    assert "Shorten the timer by" not in one.action
    assert cautions.MAINS in one.cautions


EVENING = datetime(2026, 3, 10, 20, 0, tzinfo=UTC)


def test_photoperiod_too_long_yesterday() -> None:
    one = the(view_with(now=NOON, lux=lambda t: lamp(t, off=20.0)), "light-long")
    assert amount(one, "light too long") == pytest.approx(120, abs=2)
    assert "Shorten the timer by 2 h" in one.action
    assert found(view_with(now=NOON, lux=lambda t: lamp(t, off=18.5)), "light-long") == []


def test_a_plan_of_one_hour_can_be_overrun_too() -> None:
    tank = a_tank(light=LightPlan(time(10), 1.0), gas=GasPlan(time(8), time(17)))
    one = the(view_with(tank, EVENING, lux=lambda t: lamp(t, off=13.0)), "light-long")
    assert amount(one, "light too long") == pytest.approx(120, abs=2)


def test_lamp_still_on_past_its_plan() -> None:
    def stuck_on(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        out[t > grid(NOON, NOON)[0]] = 12_000.0
        return out

    one = the(view_with(now=EVENING, lux=stuck_on), "light-long")
    assert one.title == "The lamp is on 2 h too long"
    assert found(view_with(now=EVENING), "light-long") == []


def test_a_look_at_night_is_no_long_photoperiod() -> None:
    def torch(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        out[t > grid(EVENING, EVENING)[0] - 10 * 60_000_000] = 12_000.0
        return out

    assert found(view_with(now=EVENING, lux=torch), "light-long") == []


@pytest.mark.parametrize(
    ("off", "severity"),
    [(20.0, Severity.ADVICE), (21.75, Severity.ADVICE), (22.25, Severity.WARNING)],
)
def test_four_hours_too_long_are_a_warning(off: float, severity: Severity) -> None:
    """The plan ends at 18; the limit of four hours is our choice."""
    view = view_with(now=NOON, lux=lambda t: lamp(t, off=off))
    assert the(view, "light-long").severity is severity


def test_without_planned_light_none_is_too_long() -> None:
    dark = a_tank(light=LightPlan(time(10), 0.0), gas=GasPlan())
    assert found(view_with(dark, NOON), "light-long") == []


def _evenings_with_a_finding(on_utc: float, change: datetime) -> tuple[list[int], list[int]]:
    """Days after a change of the clocks on which the lamp is said to be too long, or shifted."""
    tank = a_tank(
        time_zone="Europe/Berlin", light=LightPlan(time(10), 8.0), gas=GasPlan(time(8), time(17))
    )
    too_long, shifted = [], []
    for day in range(7):
        for minute in (0, 60, 110, 115, 130):
            now = change + timedelta(days=day, hours=15, minutes=minute)
            view = view_with(tank, now, lux=lambda t: lamp(t, on=on_utc, off=on_utc + 8))
            codes = {one.code for one in evaluate(view)}
            assert "light-dead" not in codes or day == 0
            if "light-long" in codes:
                too_long.append(day)
            if "light-shifted" in codes:
                shifted.append(day)
    return sorted(set(too_long)), sorted(set(shifted))


def test_a_timer_without_summer_time_is_explained_once_and_not_switched_off_each_day() -> None:
    """Summer time began in Berlin on 2026-03-29 at 01:00 UTC (tz database)."""
    too_long, shifted = _evenings_with_a_finding(9.0, datetime(2026, 3, 29, tzinfo=UTC))
    assert set(too_long) <= {0}
    assert shifted == [2, 3, 4, 5, 6]


def test_a_timer_that_stays_on_summer_time_is_explained_likewise() -> None:
    """It ended on 2025-10-26 at 01:00 UTC (tz database): then the lamp is an hour early."""
    too_long, shifted = _evenings_with_a_finding(8.0, datetime(2025, 10, 26, tzinfo=UTC))
    assert too_long == []
    assert shifted == [2, 3, 4, 5, 6]


def test_a_lamp_that_does_not_go_off_is_reported_though_its_timer_is_an_hour_late() -> None:
    def stuck_on(t: np.ndarray) -> np.ndarray:
        out = lamp(t, on=11.0, off=19.0)
        out[t > grid(NOON, NOON)[0]] = 12_000.0
        return out

    one = the(view_with(now=EVENING, lux=stuck_on), "light-long")
    assert "Switch the lamp off now" in one.action
