"""The rule on the water change after major work."""

from __future__ import annotations

from service.advice.engine.recommendation import Severity
from service.registry.models.log import LogKind
from tests.advice.cases import DAY, HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, entry


def log_with(*more, changed_days_ago: float = 3.0):
    """The usual log with the water change moved."""
    rest = [one for one in usual_log() if one.kind not in (LogKind.WATER_CHANGE, LogKind.DOSE)]
    change = entry(LogKind.WATER_CHANGE, NOON - changed_days_ago * DAY, fraction=0.5)
    return [*rest, change, *more]


def test_large_change_the_same_day_as_a_replant() -> None:
    replant = entry(LogKind.REPLANT, NOON - 2 * HOUR, fraction=0.4)
    view = view_with(log=log_with(replant))
    one = the(view, "water-change-after-work")
    assert one.severity is Severity.ADVICE
    assert amount(one, "water") == 90.0
    assert one.due is not None and one.due.date() == NOON.date()
    assert found(view, "water-change-due") == []


def test_work_not_followed_by_evening_is_a_warning_the_next_day_and_is_not_doubled() -> None:
    replant = entry(LogKind.REPLANT, NOON - 26 * HOUR)
    view = view_with(log=log_with(replant, changed_days_ago=9))
    assert the(view, "water-change-after-work").severity is Severity.WARNING
    assert found(view, "water-change-due") == []


def test_work_clears_with_a_large_change_or_two_smaller_ones() -> None:
    replant = entry(LogKind.REPLANT, NOON - 5 * HOUR, fraction=0.4)
    large = entry(LogKind.WATER_CHANGE, NOON - 4 * HOUR, fraction=0.5)
    assert found(view_with(log=log_with(replant, large)), "water-change-after-work") == []
    twice = [entry(LogKind.WATER_CHANGE, NOON - hours * HOUR, fraction=0.3) for hours in (4, 3)]
    assert found(view_with(log=log_with(replant, *twice)), "water-change-after-work") == []
    small = entry(LogKind.WATER_CHANGE, NOON - 4 * HOUR, fraction=0.2)
    assert found(view_with(log=log_with(replant, small)), "water-change-after-work") != []


def test_a_light_trim_asks_for_nothing() -> None:
    trim = entry(LogKind.TRIM, NOON - 2 * HOUR, fraction=0.1)
    assert found(view_with(log=log_with(trim)), "water-change-after-work") == []
    assert (
        found(view_with(log=log_with(entry(LogKind.TRIM, NOON - HOUR))), "water-change-after-work")
        == []
    )
