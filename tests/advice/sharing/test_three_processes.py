"""Three processes share the tanks of one registry; one is killed, one stands still, one ends.

That a paused process must be fenced by a token, since no clock of its own can tell it in time:
Kleppmann, "Designing Data-Intensive Applications" (2017), chapter 8, "Fencing tokens".
"""

from __future__ import annotations

import json
import os
import signal
import threading
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from service.clock import SystemClock
from service.integrations.delivery_queue import AT_ONCE
from service.registry.models.events import DeliveryState
from service.registry.models.partitions import partition_of
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from tests.another_process import AnotherProcess
from tests.integrations.retained import retained_at
from tests.integrations.webhooks.receiver import Receiver
from tests.registries import postgresql_registry, sqlite_registry
from tests.servers import Postgresql, Server, wait_until

TANKS = [f"tank-{number}" for number in range(18)]
TABLE = {
    "sqlite": "CREATE TABLE evidence (number INTEGER PRIMARY KEY AUTOINCREMENT, name, tank, token)",
    "postgresql": "CREATE TABLE evidence (number BIGSERIAL PRIMARY KEY, name TEXT, tank TEXT, "
    "token BIGINT)",
}


class Fleet:
    """A registry with tanks, a broker, a receiver of webhooks, and processes that evaluate."""

    def __init__(self, registry: Registry, url: str, folder: Path, broker: str, hook: str) -> None:
        self.registry, self.folder = registry, folder
        self._given = (str(folder), url, broker, hook)
        self._running: dict[str, AnotherProcess] = {}

    def start(self, name: str) -> AnotherProcess:
        folder, url, broker, hook = self._given
        line = "from tests.advice.sharing import evaluating; evaluating.start(*sys.argv[1:])"
        process = AnotherProcess(line, folder, url, name, broker, hook)
        self._running[name] = process
        return process

    def signal(self, name: str, number: signal.Signals) -> None:
        os.kill(self._running[name].pid, number)

    def stands_still(self, name: str) -> bool:
        state = Path(f"/proc/{self._running[name].pid}/stat").read_text().rpartition(") ")[2]
        return state.startswith("T")

    def stop_before_it_writes(self, name: str) -> None:
        """Stop a process that waits before its write, while none of its threads writes.

        Whoever stands still amid a write of SQLite keeps all others from writing.
        """
        waits = self.folder / f"{name}.waits"
        wait_until(waits.exists)
        with self.registry.session(writes="bookkeeping") as session:
            session.execute(text("SELECT 1"))  # now the one writer's place is taken
            self.signal(name, signal.SIGSTOP)
            wait_until(lambda: self.stands_still(name))
        waits.unlink()

    def ends(self, name: str) -> None:
        process = self._running.pop(name)
        process.does("evaluating.stop.set()")
        process.end()

    def kill(self, name: str) -> None:
        self._running.pop(name).kill()

    def close(self) -> None:
        for name in list(self._running):
            self.kill(name)

    def parts(self) -> dict[str, int]:
        """How many leases each scheduler holds, by name."""
        seen = self.registry.membership()
        names = {one.id: one.name for one in seen.schedulers.values()}
        return dict(Counter(names.get(one.holder, "") for one in seen.leases.values()))

    def shared_by(self, *names: str) -> bool:
        counts = self.parts()
        return set(counts) == set(names) and max(counts.values()) - min(counts.values()) <= 1

    def evidence(self, after: int = 0) -> list[Any]:
        query = text("SELECT number, name, tank, token FROM evidence WHERE number > :n ORDER BY 1")
        with self.registry.session(writes=False) as session:
            return list(session.execute(query, {"n": after}).all())

    def delivered(self) -> int:
        """How many webhooks were delivered, and are noted as such."""
        return self.registry.delivery_counts().get(("hook", DeliveryState.DELIVERED), 0)

    def taken_over(self) -> list[str]:
        """Events that a process was sending when others held it for gone, as under much load."""
        file = self.folder / "taken-over"
        events = {one.id: one.event.id for one in self.registry.deliveries(limit=1000)}
        return [events[int(line)] for line in file.read_text().split()] if file.exists() else []

    def evaluates_all(self, *names: str) -> None:
        """Wait until each tank was evaluated once more, by one of these alone."""
        last = max((row.number for row in self.evidence()), default=0)
        holders = {}

        def done() -> bool:
            holders.update({row.tank: row.name for row in self.evidence(last)})
            return set(holders) == set(TANKS) and set(holders.values()) <= set(names)

        wait_until(done, 120, lambda: f"evaluated by {holders}")


@pytest.fixture(params=["sqlite", "postgresql"])
def fleet(
    request: pytest.FixtureRequest, tmp_path: Path, mosquitto: Server
) -> Iterator[tuple[Fleet, Receiver]]:
    if request.param == "sqlite":
        registry, url = sqlite_registry(tmp_path / "r.db"), f"sqlite:///{tmp_path}/r.db"
    else:
        server: Postgresql = request.getfixturevalue("postgresql")
        registry, url = postgresql_registry(server), server.url
    with registry.session(writes="bookkeeping") as session:
        session.execute(text(TABLE[request.param]))
    for tank in TANKS:
        registry.put_tank(Tank(tank, "Invented"))
    broker = f"mqtt://127.0.0.1:{mosquitto.port}"
    with Receiver() as receiver:
        registry.hand_over("hook", SystemClock().now())  # from here on it gets all events
        made = Fleet(registry, url, tmp_path, broker, receiver.url)
        try:
            yield made, receiver
        finally:
            made.close()
            with registry.session(writes="bookkeeping") as session:
                session.execute(text("DROP TABLE evidence"))
            registry.close()


def test_each_tank_has_one_scheduler_whoever_is_killed_or_stands_still(
    fleet: tuple[Fleet, Receiver], mosquitto: Server
) -> None:
    house, receiver = fleet
    answer = threading.Event()

    def hold_back_the_first_answer() -> None:
        if len(receiver.received) == 1:
            answer.wait()

    receiver.on_request = hold_back_the_first_answer
    house.start("a")
    wait_until(lambda: house.shared_by("a"))
    house.evaluates_all("a")
    wait_until(lambda: receiver.received)
    (unanswered,) = receiver.received
    events = [event.id for event in house.registry.events(limit=1000)]
    assert len(events) == 5 * len(TANKS), "each condition is noted once, whoever finds it"
    house.start("b")
    paused = house.start("c")
    wait_until(lambda: house.shared_by("a", "b", "c"))
    house.evaluates_all("a", "b", "c")

    # The others deliver all but what the first one has claimed, of which it has sent one.
    wait_until(
        lambda: house.delivered() >= len(events) - AT_ONCE, 60, lambda: str(house.delivered())
    )
    house.kill("a")
    wait_until(lambda: house.shared_by("b", "c"))
    house.evaluates_all("b", "c")
    # So none of them stands still, or ends, between a delivery and its note.
    wait_until(lambda: house.delivered() == len(events), 60, lambda: str(house.delivered()))

    when = "before" if house.registry.engine.dialect.name == "sqlite" else "amid"
    paused.does(f"evaluating.stand_still({when!r})")
    if when == "before":
        house.stop_before_it_writes("c")
    wait_until(lambda: house.stands_still("c"))
    wait_until(lambda: house.shared_by("b"))
    house.evaluates_all("b")
    house.signal("c", signal.SIGCONT)
    if when == "before":
        wait_until(lambda: (house.folder / "c.refused").exists())
    wait_until(lambda: house.shared_by("b", "c"))
    house.evaluates_all("b", "c")

    house.ends("b")
    wait_until(lambda: house.shared_by("c"))
    house.evaluates_all("c")
    _assert_one_at_a_time(house.evidence())
    _assert_published_by("c", mosquitto)

    house.ends("c")
    answer.set()
    assert house.parts() == {"": 65}
    assert [event.id for event in house.registry.events(limit=1000)] == events
    got = Counter(json.loads(one.body)["id"] for one in receiver.received)
    once_more = [json.loads(unanswered.body)["id"], *house.taken_over()]
    assert got == Counter(events + once_more), "only what was cut off comes once more"


def _assert_one_at_a_time(evidence: list[Any]) -> None:
    """In the order of writing, no lease goes back to an earlier holder's token."""
    newest: dict[str, int] = {}
    holder: dict[tuple[str, int], str] = {}
    for row in evidence:
        lease = partition_of(row.tank)
        assert row.token >= newest.get(lease, 0), row
        newest[lease] = row.token
        assert holder.setdefault((lease, row.token), row.name) == row.name


def _assert_published_by(name: str, broker: Server) -> None:
    """Each summary names its publisher, who alone is online."""
    found: dict[str, str] = {}

    def done() -> bool:
        found.update(retained_at(broker.port))
        summaries = [json.loads(found[f"littoral/{one}/advice/summary"]) for one in TANKS]
        publishers = {one["publisher"] for one in summaries}
        online = {topic for topic, payload in found.items() if payload == "online"}
        return publishers == {name} and online == {f"littoral/$advice/{name}"}

    wait_until(done, 60, lambda: str(found))
