"""The rule on the routine water change."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.advice.engine.recommendation import Severity
from service.registry.models.log import LogKind
from service.registry.models.plans import WaterChangePlan
from tests.advice.cases import DAY, HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, entry


def log_with(*more, changed_days_ago: float = 3.0):
    """The usual log with the water change moved."""
    rest = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    change = entry(LogKind.WATER_CHANGE, NOON - changed_days_ago * DAY, fraction=0.5)
    return [*rest, change, *more]


def test_not_due_before_its_day() -> None:
    assert found(view_with(log=log_with(changed_days_ago=6)), "water-change-due") == []


def test_due_on_its_day_with_litres() -> None:
    one = the(view_with(log=log_with(changed_days_ago=7)), "water-change-due")
    assert one.severity is Severity.ADVICE
    assert amount(one, "water") == 90.0  # half of 180 L
    assert one.title == "Water change due: 90 L (50 %)"
    assert one.due is not None and one.due.hour == 20
    assert "water-change" in one.closed_by


def test_overdue_becomes_a_warning() -> None:
    one = the(view_with(log=log_with(changed_days_ago=11)), "water-change-due")
    assert one.severity is Severity.WARNING


def test_clears_with_the_change_and_a_small_one_does_not_count() -> None:
    small = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.1)
    assert found(view_with(log=log_with(small, changed_days_ago=8)), "water-change-due") != []
    full = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)
    assert found(view_with(log=log_with(full, changed_days_ago=8)), "water-change-due") == []


def test_rarer_for_low_energy_by_plan_and_off_with_no_plan() -> None:
    rare = a_tank(water_change=WaterChangePlan(every_days=28, fraction=0.3))
    assert found(view_with(rare, log=log_with(changed_days_ago=20)), "water-change-due") == []
    one = the(view_with(rare, log=log_with(changed_days_ago=28)), "water-change-due")
    assert amount(one, "water") == pytest.approx(54.0)
    never = a_tank(water_change=WaterChangePlan(every_days=0))
    assert found(view_with(never, log=[]), "water-change-due") == []


def test_empty_log_asks_for_one_without_a_warning() -> None:
    one = the(view_with(log=[]), "water-change-due")
    assert one.severity is Severity.ADVICE
    assert "No water change is in the log." in one.action


@pytest.mark.parametrize(("hour", "days"), [(12, 0), (19, 0), (20, 1), (23, 1)])
def test_what_nobody_logged_is_due_at_the_next_evening_and_never_in_the_past(hour, days) -> None:
    now = NOON + (hour - 12) * HOUR
    one = the(view_with(now=now, log=[]), "water-change-due")
    assert one.due == NOON + 8 * HOUR + days * DAY


def test_without_a_volume_the_share_is_given() -> None:
    tank = a_tank(net_volume_l=None, dimensions=None)
    one = the(view_with(tank, log=log_with(changed_days_ago=7)), "water-change-due")
    assert "50 % of the water" in one.action


def test_future_entries_do_not_count() -> None:
    later = entry(LogKind.WATER_CHANGE, NOON + timedelta(hours=1), fraction=0.5)
    assert found(view_with(log=log_with(later, changed_days_ago=7)), "water-change-due") != []
