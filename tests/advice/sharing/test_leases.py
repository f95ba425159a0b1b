"""Leases of schedulers in one process: what each does when it is its turn, on both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from service.advice.sharing.leases import LONGEST_STEP_S, SharedLeases
from service.advice.sharing.silence import Silence
from service.clock import SystemClock
from service.process_identity import has_ended, this_process
from service.registry.database.fencing import LeaseLostError, fenced
from service.registry.models.events import NewEvent
from service.registry.models.partitions import LEASES, partition_of
from service.registry.models.schedulers import SchedulerProcess
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from tests.another_process import AnotherProcess
from tests.registries import postgresql_registry, sqlite_registry

LEASE_S = 30.0


@dataclass
class Seconds:
    """A monotonic clock that a test sets."""

    now: float = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture(params=["sqlite", "postgresql"])
def registry(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Registry]:
    made = (
        sqlite_registry(tmp_path / "registry.db")
        if request.param == "sqlite"
        else postgresql_registry(request.getfixturevalue("postgresql"))
    )
    yield made
    made.close()


@pytest.fixture
def member(registry: Registry) -> Callable[[str, Seconds], SharedLeases]:
    def make(name: str, seconds: Seconds) -> SharedLeases:
        silence = Silence(has_ended=lambda process: False)
        return SharedLeases(registry, name, LEASE_S, seconds=seconds, silence=silence)

    return make


def held(one: SharedLeases) -> int:
    return len(one._tokens)


def pass_time(seconds: Seconds, *running: SharedLeases, for_s: float) -> None:
    """Let time pass in which some schedulers run."""
    end = seconds.now + for_s
    while seconds.now < end:
        seconds.now += LEASE_S / 3
        for one in running:
            one.tend(may_give=True)


def test_one_alone_holds_all_and_writes_nothing_more(registry, member):
    seconds = Seconds()
    alone = member("a", seconds)
    assert alone.tend(may_give=True).gained == set(LEASES)
    before = written(registry)
    pass_time(seconds, alone, for_s=10 * LEASE_S)
    assert written(registry) == before
    assert held(alone) == len(LEASES)


def written(registry: Registry) -> object:
    """What differs once anything was written: to SQLite at all, to PostgreSQL of leases."""
    if registry.engine.dialect.name == "sqlite":
        return registry.cache._database.now()
    query = "SELECT xmin::text FROM scheduler UNION ALL SELECT xmin::text FROM lease"
    with registry.session(writes=False) as session:
        return sorted(session.scalars(text(query)))


def test_a_newcomer_gets_its_part_only_from_what_is_given_up(member):
    seconds = Seconds()
    first, second = member("a", seconds), member("b", seconds)
    first.tend()
    second.tend()
    assert held(second) == 0
    pass_time(seconds, first, second, for_s=LEASE_S)
    assert {held(first), held(second)} == {32, 33}
    assert not set(first._tokens) & set(second._tokens)
    first.tend(at_once=True)  # amid an evaluation nothing is given up
    third = member("c", seconds)
    third.tend()
    assert first.tend(at_once=True).lost == set()


def test_who_is_never_idle_gives_up_what_is_above_its_part(member):
    seconds = Seconds()
    busy, second = member("a", seconds), member("b", seconds)
    busy.tend()
    second.tend()
    seconds.now += LEASE_S / 3
    busy.tend()  # amid an evaluation, as it nearly always is when this is due
    assert held(busy) == len(LEASES)
    assert len(busy.tend(may_give=True).lost) == 32
    second.tend(at_once=True)
    assert held(second) == 32


def test_a_long_step_is_no_silence_and_one_that_hangs_is(member):
    seconds = Seconds()
    first, second = member("a", seconds), member("b", seconds)
    pass_time(seconds, first, second, for_s=2 * LEASE_S)
    began = seconds.now
    while seconds.now < began + LONGEST_STEP_S:
        second.show_life()
        pass_time(seconds, first, for_s=LEASE_S / 3)
        assert held(first) <= 33
    while seconds.now < began + LONGEST_STEP_S + 2 * LEASE_S:
        second.show_life()
        pass_time(seconds, first, for_s=LEASE_S / 3)
    assert held(first) == len(LEASES)


def test_one_that_falls_silent_is_replaced_after_its_lease_and_not_before(member):
    seconds = Seconds()
    first, second = member("a", seconds), member("b", seconds)
    pass_time(seconds, first, second, for_s=2 * LEASE_S)
    pass_time(seconds, second, for_s=LEASE_S * 2 / 3)
    assert held(second) <= 33
    pass_time(seconds, second, for_s=LEASE_S * 2 / 3)
    assert held(second) == len(LEASES)


def test_who_stood_still_together_with_the_others_holds_nobody_for_gone(member):
    seconds = Seconds()
    first, second = member("a", seconds), member("b", seconds)
    pass_time(seconds, first, second, for_s=2 * LEASE_S)
    seconds.now += 100 * LEASE_S
    assert second.tend(may_give=True).gained == set()
    assert first.tend(may_give=True).lost == set()


def test_a_late_write_is_refused_also_when_the_lease_has_come_back(registry, member):
    registry.put_tank(Tank("reed", "Invented"))
    seconds = Seconds()
    first, second = member("a", seconds), member("b", seconds)
    first.tend()
    fence = first.fence(["reed"])
    with fenced(fence):
        registry.put_status("look", {"by": "first"})
    second.tend()
    pass_time(seconds, second, for_s=2 * LEASE_S)  # the first one stands still
    assert second.holds("reed")
    with fenced(fence), pytest.raises(LeaseLostError) as refused:
        registry.put_status("look", {"by": "first, late"})
    assert refused.value.leases == {partition_of("reed")}
    assert registry.statuses()["look"] == {"by": "first"}
    moved = first.tend(may_give=True, at_once=True)
    assert partition_of("reed") in moved.lost
    second.leave()
    first.tend(may_give=True, at_once=True)
    assert first.holds("reed")
    with fenced(fence), pytest.raises(LeaseLostError):
        registry.put_status("look", {"by": "first, much later"})
    with fenced(first.fence(["reed"])):
        registry.put_status("look", {"by": "first, anew"})


def test_claims_end_with_the_scheduler_that_has_them(registry, member):
    now, seconds = SystemClock().now(), Seconds()
    first, second = member("a", seconds), member("b", seconds)
    first.tend()
    registry.hand_over("hook", now)
    registry.add_events([NewEvent("recommendation.opened", "x", "reed", now, {})])
    registry.hand_over("hook", now)
    hour = timedelta(hours=1)
    (claimed,) = registry.claim_deliveries("hook", now, hour, claimant=first.id)
    assert registry.is_claimed(claimed.id, first.id)
    assert registry.claim_deliveries("hook", now, hour, claimant=second.id) == []
    second.tend()
    pass_time(seconds, second, for_s=2 * LEASE_S)
    assert not registry.is_claimed(claimed.id, first.id)
    (again,) = registry.claim_deliveries("hook", now, hour, claimant=second.id)
    assert again.id == claimed.id
    assert not registry.settle_delivered(again.id, now, first.id), "it stood still and is late"
    assert registry.settle_delivered(again.id, now, second.id)


def test_a_process_on_this_machine_is_seen_to_have_ended():
    line = "from service.process_identity import this_process; assert this_process()"
    other = AnotherProcess(f"{line}; open(sys.argv[1], 'w').write(this_process())", "/dev/null")
    mine = this_process()
    place, _, _ = mine.rsplit(" ", 2)
    started = Path(f"/proc/{other.pid}/stat").read_text().rpartition(") ")[2].split()[19]
    its = f"{place} {other.pid} {started}"
    assert not has_ended(mine) and not has_ended(its)
    other.end()
    assert has_ended(its)
    assert has_ended(f"{mine}0"), "another one has its number now"
    assert not has_ended("another-boot pid:[1] 1 1")
    assert not has_ended("")


def test_silence_counts_while_one_listens():
    one = {"a": SchedulerProcess("a", "a", "", LEASE_S, beat=4)}
    silence = Silence(has_ended=lambda process: False)
    assert [silence.hear(one, at, 10.0) for at in (0, 10, 20)] == [{}, {}, {}]
    assert silence.hear(one, 30, 10.0) == {"a": 4}
    assert silence.hear({"a": SchedulerProcess("a", "a", "", LEASE_S, beat=5)}, 40, 10.0) == {}
    assert silence.hear({"a": SchedulerProcess("a", "a", "", LEASE_S, beat=5)}, 4000, 10.0) == {}
