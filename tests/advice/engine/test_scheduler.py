"""The loop that evaluates all tanks: ledger, status, one tank or the store failing."""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime

import pytest

from service.advice.engine.history.change_events import ChangeKind, LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.scheduler import Scheduler
from service.advice.sharing.leases import NOTHING_MOVED, AllTanks, Moved, SharedLeases
from service.derive.caching.view_cache import ViewCache
from service.derive.models.tank_view import TankView
from service.registry.models.absence import Absence
from service.registry.models.partitions import LEASES, partition_of
from service.registry.models.schedulers import SCHEDULER_STATUS
from service.registry.models.tank import Tank
from tests.advice.engine.house import HOUR, House, scheduler
from tests.derive.pieces import NOON, a_tank
from tests.servers import wait_until


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
