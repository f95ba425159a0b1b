"""The loop that evaluates all tanks: ledger, status, one tank or the store failing."""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service.advice.engine.history.change_events import ChangeKind, LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.scheduler import Scheduler
from service.advice.sharing.leases import NOTHING_MOVED, AllTanks, Moved, SharedLeases
from service.derive.caching.view_cache import ViewCache
from service.derive.models.tank_view import TankView
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.partitions import LEASES, partition_of
from service.registry.models.schedulers import SCHEDULER_STATUS
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from tests.derive.pieces import NOON, a_tank, days_of, gassed
from tests.registries import sqlite_registry
from tests.servers import wait_until
from tests.stores import make_sqlite_store

HOUR = timedelta(hours=1)


@dataclass
class StepClock:
    """A clock that the test moves."""

    moment: datetime = NOON

    def now(self) -> datetime:
        return self.moment


@dataclass
class House:
    registry: Registry
    store: SqliteStore
    clock: StepClock


def three_days(store: SqliteStore) -> None:
    series = days_of(NOON, days=3, co2=lambda t: gassed(t, high=14.0))
    for quantity, one in series.items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A tank with too little CO2 and an empty log; three days of readings."""
    registry = sqlite_registry(tmp_path / "registry.db")
    make_sqlite_store(tmp_path / "readings.db", three_days)
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    registry.put_tank(a_tank())
    registry.add_log("reed", LogKind.WATER_CHANGE, NOON - 3 * 24 * HOUR, {"fraction": 0.5})
    yield House(registry, store, StepClock())
    store.close()
    registry.close()


def scheduler(house: House) -> Scheduler:
    return Scheduler(house.registry, house.store, house.clock, 60.0)


def test_an_evaluation_fills_the_ledger(house: House) -> None:
    changes = scheduler(house).evaluate_all()
    assert "co2-low" in {one.finding.code for one in changes["reed"].of(ChangeKind.OPENED)}
    standing = Ledger(house.registry).list("reed")
    assert {one.id for one in standing} == {one.id for one in changes["reed"].current}
    again = scheduler(house).evaluate_all()["reed"]
    assert again.of(ChangeKind.OPENED) == () and again.of(ChangeKind.CLEARED) == ()


def test_runs_in_a_thread_is_nudged_and_reports(house: House) -> None:
    stop = threading.Event()
    running = scheduler(house)
    thread = threading.Thread(target=running.run, args=(stop,))
    thread.start()
    wait_until(lambda: SCHEDULER_STATUS in house.registry.statuses())
    first = house.registry.statuses()[SCHEDULER_STATUS]
    assert first["tanks"] == 1 and first["error"] is None
    house.clock.moment += HOUR
    running.nudge()
    wait_until(lambda: house.registry.statuses()[SCHEDULER_STATUS]["time"] != first["time"])
    stop.set()
    thread.join(60)
    assert not thread.is_alive()


def test_one_odd_tank_leaves_the_others_evaluated(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from service.advice.engine import evaluator as module

    house.registry.put_tank(a_tank(id="fern"))
    real = module.evaluate

    def odd(view, *more):  # type: ignore[no-untyped-def]
        if view.tank.id == "fern":
            raise ZeroDivisionError("an oddity")
        return real(view, *more)

    monkeypatch.setattr(module, "evaluate", odd)
    changes = scheduler(house).evaluate_all()
    assert set(changes) == {"reed"}
    assert "advice on tank fern failed" in caplog.text


def test_a_tank_that_is_deleted_while_it_is_evaluated_leaves_the_others_evaluated(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.advice.engine import evaluator as module

    house.registry.put_tank(a_tank(id="fern"))
    real = module.evaluate

    def deletes(view, *more):  # type: ignore[no-untyped-def]
        found = real(view, *more)
        if view.tank.id == "fern":
            assert found
            Ledger(house.registry).delete_tank("fern", NOON)
        return found

    monkeypatch.setattr(module, "evaluate", deletes)
    recorder = Recorder("hub")
    changes = Scheduler(house.registry, house.store, house.clock, 60.0, [recorder]).evaluate_all()
    assert set(changes) == {"reed"}
    assert Ledger(house.registry).list("reed")


class Recorder:
    """An integration that notes what it is given, or fails."""

    mended = 0

    def __init__(self, name: str, fails: bool = False) -> None:
        self.name, self.fails = name, fails
        self.updated: list[str] = []

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def update(self, view: TankView, change: LedgerChange) -> None:
        if self.fails:
            raise KeyError("an oddity")
        self.updated.append(view.tank.id)

    def release(self, tanks: Collection[str]) -> None: ...

    def retain_only(self, tanks: frozenset[str]) -> None:
        if self.fails:
            raise KeyError("another oddity")


def test_an_integration_that_fails_holds_up_no_other(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    bad, good = Recorder("bad", fails=True), Recorder("good")
    running = Scheduler(house.registry, house.store, house.clock, 60.0, (bad, good))
    running.run_once()
    house.registry.put_tank(a_tank(id="fern"))
    running.run_once()
    assert good.updated == ["reed", "fern", "reed"]
    assert house.registry.statuses()[SCHEDULER_STATUS]["error"] is None
    assert "integration bad failed" in caplog.text


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


@contextmanager
def in_a_thread(loop: Scheduler, stop: threading.Event) -> Iterator[threading.Thread]:
    thread = threading.Thread(target=loop.run, args=(stop,))
    thread.start()
    try:
        yield thread
    finally:
        stop.set()
        loop.nudge()
        thread.join(60)
        assert not thread.is_alive()


def test_an_unexpected_error_ends_neither_the_loop_nor_the_end_of_it(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Odd(Recorder):
        def start(self) -> None:
            raise KeyError("an oddity")

        stop = start

    class Leaves(AllTanks):
        left = False

        def leave(self) -> None:
            self.left = True

    absences = house.registry.absences

    def odd() -> Sequence[Absence]:
        monkeypatch.setattr(house.registry, "absences", absences)
        raise ZeroDivisionError("an oddity")

    monkeypatch.setattr(house.registry, "absences", odd)
    good, leases = Recorder("good"), Leaves()
    made = [Odd("odd"), good]
    loop = Scheduler(house.registry, house.store, house.clock, 60.0, made, leases=leases)
    with in_a_thread(loop, threading.Event()):
        wait_until(lambda: SCHEDULER_STATUS in house.registry.statuses())
        assert "the log" in house.registry.statuses()[SCHEDULER_STATUS]["error"]
        loop.nudge()
        wait_until(lambda: good.updated == ["reed"])
    assert leases.left


@pytest.mark.parametrize("at_once", [1, 3])
def test_a_stop_ends_an_evaluation_that_is_going_on(
    house: House, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    from service.advice.engine import evaluator as module

    for tank in ("fern", "moss"):
        house.registry.put_tank(a_tank(id=tank))
    real, stop, evaluated = module.evaluate, threading.Event(), []

    def stops(view, *more):  # type: ignore[no-untyped-def]
        evaluated.append(view.tank.id)
        stop.set()
        return real(view, *more)

    prepared: list[str] = []
    prepare = ViewCache.prepare

    def noted(self: ViewCache, tanks: Sequence[Tank], now: datetime) -> None:
        prepared.extend(tank.id for tank in tanks)
        prepare(self, tanks, now)

    monkeypatch.setattr(module, "evaluate", stops)
    monkeypatch.setattr(module, "TANKS_AT_ONCE", at_once)
    monkeypatch.setattr(ViewCache, "prepare", noted)
    loop = scheduler(house)
    loop.run(stop)
    assert evaluated == ["fern"]
    assert prepared == ["fern", "moss", "reed"][:at_once]
    assert SCHEDULER_STATUS not in house.registry.statuses(), "none was completed"


def test_tanks_gained_amid_an_evaluation_are_evaluated_at_once(house: House) -> None:
    class Gains(AllTanks):
        """Takes over all other tanks while it evaluates its first one."""

        def __init__(self) -> None:
            self.tended, self.own = 0, {partition_of("reed")}

        def tend(self, *, may_give: bool = False, at_once: bool = False) -> Moved:
            self.tended += 1
            if self.tended == 5:
                self.own = set(LEASES)
                return Moved(gained=frozenset(self.own - {partition_of("reed")}))
            return NOTHING_MOVED

        def holds(self, tank: str) -> bool:
            return partition_of(tank) in self.own

    house.registry.put_tank(a_tank(id="fern"))
    recorder = Recorder("hub")
    given = house.registry, house.store, house.clock, 3600.0, [recorder]
    with in_a_thread(Scheduler(*given, leases=Gains()), threading.Event()):
        wait_until(lambda: "fern" in recorder.updated)
    assert recorder.updated == ["reed", "fern", "reed"]


def test_the_work_for_each_tank_does_not_grow_with_their_number(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.advice.engine import evaluator as module

    asked: list[str] = []

    def counted(tank: str) -> str:
        asked.append(tank)
        return partition_of(tank)

    monkeypatch.setattr(module, "partition_of", counted)
    loop = scheduler(house)
    for number in range(4):
        house.registry.put_tank(a_tank(id=f"fern-{number}"))
    assert len(loop.evaluate_all()) == 5
    assert len(asked) <= 5


def test_a_start_that_waits_for_a_broker_is_seen_to_run(house: House) -> None:
    leases = SharedLeases(house.registry, "a", 0.5)
    other = SharedLeases(house.registry, "b", 30.0)
    seen: list[int] = []

    class Waits(Recorder):
        def start(self) -> None:
            other.tend()
            wait_until(lambda: beat() > 3)
            seen.append(beat())

    def beat() -> int:
        return house.registry.membership().schedulers[leases.id].beat

    stop = threading.Event()
    given = house.registry, house.store, house.clock, 60.0, [Waits("hub")]
    stop.set()
    Scheduler(*given, leases=leases).run(stop)
    assert seen
