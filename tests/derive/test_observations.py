"""Observations on a scale out of a log: the newest of each kind, and day by day."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from service.derive.observations import daily_levels, newest_observations
from service.registry.models.log import LogEntry, LogKind
from tests.derive.pieces import NOON, entry

SEEN = LogKind.OBSERVATION


def saw(at: datetime, code: str, level: int) -> LogEntry:
    """An observation on a scale."""
    return LogEntry(str(at), "riffle", SEEN, at, {"kind": code, "level": level})


LOG = [
    saw(NOON + timedelta(hours=1), "tufts", 5),
    saw(NOON - timedelta(hours=1), "threads", 0),
    saw(NOON - timedelta(hours=2), "tufts", 3),
    saw(NOON - timedelta(hours=13), "tufts", 2),
    entry(SEEN, NOON - timedelta(days=1), snails=4),
    entry(LogKind.TRIM, NOON - timedelta(days=2)),
    saw(NOON - timedelta(days=3), "tufts", 1),
]


def test_the_newest_of_each_kind_up_to_now() -> None:
    newest = newest_observations(LOG, NOON)
    assert {code: one.level for code, one in newest.items()} == {"threads": 0, "tufts": 3}


def test_levels_by_local_day_are_means() -> None:
    by_day = daily_levels(LOG, "tufts", "UTC")
    today = NOON.date()
    days = [today - timedelta(days=3), today - timedelta(days=1), today]
    assert list(by_day) == days
    assert list(by_day.values()) == [1.0, 2.0, 4.0]
    # Thirteen hours earlier it is already the same day in the east: Kiritimati, UTC+14.
    east = daily_levels(LOG[1:], "tufts", "Pacific/Kiritimati")
    assert list(east.values()) == [1.0, 2.0, 3.0]
    assert list(east)[-1] == date.fromordinal(today.toordinal() + 1)
    assert daily_levels(LOG, "slime", "UTC") == {}
