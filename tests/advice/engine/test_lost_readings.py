"""A store that is away, readings that wait and sensors that never spoke, as evaluations have it."""

from __future__ import annotations

import threading
from collections.abc import Collection
from datetime import timedelta
from pathlib import Path

import pytest

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.scheduler import Scheduler
from service.registry.models.schedulers import SCHEDULER_STATUS
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from tests.advice.engine.house import HOUR, House, scheduler
from tests.derive.pieces import NOON, a_tank
from tests.servers import wait_until


def test_a_store_that_is_away_leaves_the_ledger_as_it_is(house: House, tmp_path: Path) -> None:
    from service.errors import StoreUnavailableError

    scheduler(house).evaluate_all()
    before = Ledger(house.registry).list("reed")

    class Away(SqliteStore):
        def series_of(self, tanks: Collection[str]):  # type: ignore[no-untyped-def]
            raise StoreUnavailableError("away")

    away = Away.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    stop = threading.Event()
    running = Scheduler(house.registry, away, house.clock, 60.0)
    thread = threading.Thread(target=running.run, args=(stop,))
    thread.start()
    wait_until(lambda: house.registry.statuses().get(SCHEDULER_STATUS, {}).get("error") == "away")
    stop.set()
    thread.join(60)
    away.close()
    assert Ledger(house.registry).list("reed") == before


def test_a_lost_store_is_a_recommendation_and_all_others_stay_until_it_is_back(
    house: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.store.sqlite.connections._EVERY_S", 0.0)
    loop = scheduler(house)
    loop.evaluate_all()
    ledger = Ledger(house.registry)
    before = {one.id: one for one in ledger.list("reed")}
    assert before
    path = tmp_path / "readings.db"
    path.rename(tmp_path / "moved.db")

    def codes(after: timedelta) -> list[str]:
        house.clock.moment += after
        loop.run_once()
        found = {one.id: one for one in ledger.list("reed")}
        assert found.keys() >= before.keys()
        return [one.finding.code for key, one in found.items() if key not in before]

    assert codes(timedelta(0)) == []
    assert codes(timedelta(minutes=4)) == []  # it may be no more than a restart
    assert codes(timedelta(minutes=1)) == ["readings-unavailable"]
    assert codes(timedelta(hours=20)) == ["readings-unavailable"]
    (one,) = (one for one in ledger.list("reed") if one.finding.code == "readings-unavailable")
    assert "moved or deleted while it was in use" in one.finding.action
    assert one.finding.since == NOON
    opened = [one for one in house.registry.events() if "readings-una" in str(one)]
    assert len(opened) == 1
    (tmp_path / "moved.db").rename(path)
    house.clock.moment += timedelta(minutes=31)
    loop.run_once()
    house.clock.moment += timedelta(minutes=31)
    loop.run_once()
    assert "readings-unavailable" not in [each.finding.code for each in ledger.list("reed")]


def test_readings_that_wait_to_be_stored_are_a_recommendation(house: House) -> None:
    loop = scheduler(house)

    def waiting(after: timedelta, **status: object) -> list[str]:
        house.clock.moment += after
        document = {"time": house.clock.moment.isoformat(), "errors": ["the disk is full"]}
        house.registry.put_status("ingest:shed", document | status)
        current = loop.evaluate_all()["reed"].current
        return [one.finding.action for one in current if one.finding.code == "readings-waiting"]

    minute = timedelta(minutes=1)
    since = (NOON + minute).isoformat()
    assert waiting(minute, spool={"readings": 9, "oldest": since}) == []
    assert waiting(4 * minute, spool={"readings": 90, "oldest": since}) == []
    (said,) = waiting(2 * minute, spool={"readings": 99, "oldest": since})
    assert "shed reports: the disk is full" in said
    (said,) = waiting(
        minute, spool={"readings": 0, "oldest": None}, stalled=True, last_commit=since
    )
    assert waiting(35 * minute, spool={"readings": 0, "oldest": None}) == []


def test_an_ingester_that_was_given_another_name_is_forgotten(house: House) -> None:
    since = (NOON - HOUR).isoformat()
    spool = {"readings": 9, "oldest": since}
    for age, found in ((timedelta(hours=23), 1), (timedelta(hours=25), 0)):
        house.clock.moment = NOON
        status = {"time": (NOON - age).isoformat(), "spool": spool}
        house.registry.put_status(f"ingest:old-{found}", status)
        current = scheduler(house).evaluate_all()["reed"].current
        names = [one.finding.subject for one in current if one.finding.code == "readings-waiting"]
        assert names == ["old-1"]


def test_the_first_reading_of_a_new_tank_ends_that_none_was_ever_there(house: House) -> None:
    house.registry.put_tank(a_tank(id="fresh"))
    loop = scheduler(house)

    def missing() -> set[str]:
        current = loop.evaluate_all()["fresh"].current
        return {one.finding.subject for one in current if one.finding.code == "no-advice"}

    assert {"temperature", "light"} <= missing()
    house.clock.moment += timedelta(seconds=30)
    at = int(house.clock.moment.timestamp() * 1e6)
    house.store.write([Reading("fresh", "temperature", "s", at, 24.0)])
    still = missing()
    assert "temperature" not in still
    assert "light" in still
