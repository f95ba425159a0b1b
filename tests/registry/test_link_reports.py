"""Reports with a sharing link in the registry: once, by constraints of the database."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy.exc import IntegrityError

from service.errors import ConflictError, GoneError, NotFoundError
from service.registry.database.row_ids import new_id
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.registry.tables.log import LinkReportRow

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)


def entry(tank="a", id=None):
    id = id or new_id()
    return LogEntry(id, tank, LogKind.OBSERVATION, NOW, {}, "all well", "Ada", NOW)


@pytest.fixture
def links(registry):
    """The ids of two links to one tank, and one to another."""
    registry.put_tank(Tank("a", "A"))
    registry.put_tank(Tank("b", "B"))
    return [
        registry.create_share(
            tank, NOW, NOW + DAY, NOW, expires=NOW + DAY, name=name, may_report=True
        )[0].id
        for tank, name in (("a", "Ada"), ("a", "Ben"), ("b", "Ada"))
    ]


def test_a_key_is_one_report_of_a_link(registry, links):
    mine, other, _ = links
    first, fresh = registry.add_link_report(mine, "key", None, "A note", entry(), NOW)
    assert fresh and registry.link_report(mine, "key") == first
    again, fresh = registry.add_link_report(mine, "key", None, "Another", entry(), NOW)
    assert (again, fresh) == (first, False)
    _, fresh = registry.add_link_report(other, "key", None, "A note", entry(), NOW)
    assert fresh and len(registry.log("a")) == 2


def test_a_task_is_reported_once_of_a_tank_until_its_entry_is_deleted(registry, links):
    mine, other, elsewhere = links
    first, _ = registry.add_link_report(mine, "1", "day/look", "Look", entry(), NOW)
    for link in (mine, other):
        with pytest.raises(ConflictError, match="ticked this off before"):
            registry.add_link_report(link, "2", "day/look", "Look", entry(), NOW)
    registry.add_link_report(elsewhere, "1", "day/look", "Look", entry("b"), NOW)
    registry.delete_log(first.entry)
    assert registry.link_report(mine, "1").entry is None
    assert registry.link_reports("a", since=NOW - DAY) == []
    _, fresh = registry.add_link_report(other, "3", "day/look", "Look", entry(), NOW)
    assert fresh and [one.title for one in registry.link_reports("a", since=NOW)] == ["Look"]
    assert registry.link_reports("a", since=NOW + DAY) == []


def test_the_database_itself_refuses_a_second_one(registry, links):
    """By its constraints, whatever the code before them does."""
    mine, other, _ = links
    registry.add_link_report(mine, "key", "task", "Look", entry(), NOW)
    stored = registry.add_log("a", LogKind.OBSERVATION, NOW, note="seen")
    values = {"tank": "a", "title": "Look", "time": NOW, "received": NOW, "entry": stored.id}
    for link, key, task in ((mine, "key", "more"), (other, "other", "task")):
        with pytest.raises(ConflictError) as caught, registry.session(writes="bookkeeping") as one:
            one.add(LinkReportRow(link=link, key=key, task=task, **values))
        assert isinstance(caught.value.__cause__, IntegrityError)


def test_sent_by_several_threads_at_once_it_is_one(registry, links):
    mine, other, _ = links

    def send(number):
        link, key = ((mine, "same"), (mine, "same"), (other, f"key-{number}"))[number % 3]
        try:
            return registry.add_link_report(link, key, "task", "Look", entry(), NOW)[1]
        except ConflictError:
            return False

    with ThreadPoolExecutor(6) as pool:
        fresh = list(pool.map(send, range(12)))
    assert sum(fresh) == 1 and len(registry.log("a")) == 1


def test_nothing_is_half_stored(registry, links):
    mine, _, elsewhere = links
    taken = registry.add_log("a", LogKind.OBSERVATION, NOW, note="seen")
    with pytest.raises(ConflictError, match="in the log as done already"):
        registry.add_link_report(mine, "1", "task", "Look", entry(id=taken.id), NOW)
    with pytest.raises(GoneError):
        registry.add_link_report(elsewhere, "1", "task", "Look", entry("a"), NOW)
    with pytest.raises(GoneError):
        registry.add_link_report("none", "1", "task", "Look", entry(), NOW)
    with pytest.raises(GoneError, match="expired"):
        registry.add_link_report(mine, "1", "task", "Look", entry(), NOW + DAY)
    registry.revoke_share(mine, NOW)
    with pytest.raises(GoneError, match="was revoked"):
        registry.add_link_report(mine, "1", "task", "Look", entry(), NOW)
    assert [one.id for one in registry.log("a")] == [taken.id]
    assert registry.link_report(mine, "1") is None
    registry.delete_tank("a")
    with pytest.raises(NotFoundError):
        registry.log("a")
