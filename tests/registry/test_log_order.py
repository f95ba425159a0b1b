"""Log entries of one moment, written down at one moment, come in the order they were stored in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from service.registry.database.connection import make_engine
from service.registry.database.migrate import migrate
from service.registry.models.log import LogKind, oldest_first
from service.registry.models.plans import LightPlan
from service.registry.models.tank import Tank
from service.registry.registry import open_registry

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def stored(registry):
    """Notes of entries of one moment, in the order in which they were stored."""
    registry.put_tank(Tank("a", "A"))
    registry.put_tank(Tank("b", "B"))
    notes = [f"{number}" for number in range(8)]
    for note in notes:
        registry.add_log("a", LogKind.TRIM, NOON, {"fraction": 0.1}, note, recorded=NOON)
        registry.add_log("b", LogKind.TRIM, NOON, {"fraction": 0.1}, note, recorded=NOON)
    registry.add_log("a", LogKind.TRIM, NOON - DAY, {"fraction": 0.1}, "written down later")
    return notes


def test_newest_first_is_the_last_stored_first(registry, stored):
    expected = [*reversed(stored), "written down later"]
    assert [one.note for one in registry.log("a")] == expected
    assert [one.note for one in registry.log("a", limit=3)] == expected[:3]
    assert [one.note for one in registry.logs()["a"]] == expected
    in_force = registry.log_in_force("a", NOON - DAY, (LogKind.TRIM,))
    assert [one.note for one in in_force] == expected
    assert [one.note for one in registry.logs()["b"]] == expected[:-1]


def test_oldest_first_is_the_way_back(registry, stored):
    in_order = ["written down later", *stored]
    assert [one.note for one in oldest_first(registry.log("a"))] == in_order


def test_what_is_deleted_changes_no_order(registry, stored):
    entries = registry.log("a")
    for number in (0, 4, 7):
        registry.delete_log(entries[number].id)
    registry.add_log("a", LogKind.TRIM, NOON, {"fraction": 0.1}, "last", recorded=NOON)
    left = [note for note in reversed(stored) if note not in ("7", "3", "0")]
    assert [one.note for one in registry.log("a")] == ["last", *left, "written down later"]


def test_adjustments_stand_between_what_was_logged_before_and_after_them(registry, stored):
    tank = registry.tank("a")
    late = NOON + DAY
    registry.add_log("a", LogKind.TRIM, late, {"fraction": 0.1}, "before", recorded=late)
    registry.put_tank(Tank("a", tank.name, light=LightPlan(photoperiod_h=6.0)), now=late)
    registry.add_log("a", LogKind.TRIM, late, {"fraction": 0.1}, "after", recorded=late)
    kinds = [one.kind for one in registry.log("a", start=late)]
    assert kinds == [LogKind.TRIM, LogKind.ADJUSTMENT, LogKind.TRIM]
    assert [one.note for one in registry.log("a", start=late, kinds=[LogKind.TRIM])] == [
        "after",
        "before",
    ]


def test_a_registry_of_before_gets_the_order_in_which_it_was_written_down(registry_url):
    engine = make_engine(registry_url)
    migrate(engine, "0020")
    recorded = ["NULL", "'2026-05-04 12:00:00'", "'2026-05-04 12:00:01'", "'2026-05-04 12:00:02'"]
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO tank (id, name, document, version)"
                """ VALUES ('a', 'A', '{"id": "a", "name": "A"}', '1')"""
            )
        )
        for number, written in enumerate(recorded):
            connection.execute(
                text(
                    "INSERT INTO log_entry (id, tank, kind, time, data, note, by, recorded) VALUES"
                    f" ('{9 - number}', 'a', 'trim', '2026-05-04 12:00:00', '{{}}', '{number}',"
                    f" '', {written})"
                )
            )
    engine.dispose()
    registry = open_registry(registry_url)
    late = NOON + timedelta(seconds=2)
    registry.add_log("a", LogKind.TRIM, NOON, {"fraction": 0.1}, "4", recorded=late)
    assert [one.note for one in registry.log("a")] == ["4", "3", "2", "1", "0"]
    registry.close()
