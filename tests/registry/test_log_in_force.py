"""The log of many tanks, read again only where its rows are others, is that of each tank alone."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import event

from service.registry.models.log import LogKind
from service.registry.models.tank import Tank

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
DAY = timedelta(days=1)
LASTING = (LogKind.KH_TEST, LogKind.WATER_CHANGE)


@pytest.fixture
def tanks(registry):
    names = ["moss", "reed", "empty"]
    for name in names:
        registry.put_tank(Tank(name, name))
    for name in names[:2]:
        for days in (300, 200, 20, 1):
            registry.add_log(name, LogKind.KH_TEST, NOON - days * DAY, {"kh_meq_l": days / 100})
            registry.add_log(
                name, LogKind.TRIM, NOON - days * DAY, note=f"of {days}", id=f"{name}{days}"
            )
    return names


def test_the_logs_of_many_tanks_are_those_of_each(registry, tanks):
    since = NOON - 120 * DAY
    found = registry.logs_in_force([*tanks, "gone"], since, LASTING)
    assert set(found) == set(tanks)
    for name in tanks:
        assert found[name].entries == registry.log_in_force(name, since, LASTING)
    kinds = [one.kind for one in found["reed"].entries]
    assert sorted(kinds) == ["kh-test"] * 3 + ["trim"] * 2  # the newest older test is in force


def test_a_log_is_read_again_only_where_a_row_is_another(registry, tanks):
    since = NOON - 120 * DAY
    first = registry.logs_in_force(tanks, since, LASTING)
    asked = []
    event.listen(registry.engine, "before_cursor_execute", lambda *given: asked.append(given[2]))
    again = registry.logs_in_force(tanks, since, LASTING, first)
    assert all(again[name] is first[name] for name in tanks)
    unchanged = len(asked)

    # the same id, kind and time, deleted and written again with another text
    registry.delete_log("reed1")
    registry.add_log("reed", LogKind.TRIM, NOON - DAY, note="another", id="reed1")
    asked.clear()
    later = registry.logs_in_force(tanks, since, LASTING, again)
    assert later["moss"] is first["moss"]
    assert "another" in [one.note for one in later["reed"].entries]
    assert later["reed"].entries == registry.log_in_force("reed", since, LASTING)
    assert len(asked) > unchanged

    # an old entry that is in force, beyond the days of which all entries count
    registry.add_log("moss", LogKind.KH_TEST, NOON - 150 * DAY, {"kh_meq_l": 5.0})
    after = registry.logs_in_force(tanks, since, LASTING, later)
    assert after["reed"] is later["reed"]
    assert after["moss"].entries[-1].data == {"kh_meq_l": 5.0}

    registry.delete_tank("moss")
    assert "moss" not in registry.logs_in_force(tanks, since, LASTING, after)


def test_another_day_is_another_question(registry, tanks):
    first = registry.logs_in_force(tanks, NOON - 20 * DAY, LASTING)
    second = registry.logs_in_force(tanks, NOON - 19 * DAY, LASTING, first)
    assert len(first["reed"].entries) == 5
    assert len(second["reed"].entries) == 3
