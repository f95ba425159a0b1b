"""The leases of one scheduler: which tanks it evaluates, and the fence around what it writes."""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any, Final, Protocol

from service.advice.sharing.silence import Silence
from service.errors import LittoralError
from service.process_identity import this_process
from service.registry.database.fencing import Fence
from service.registry.models.partitions import LEASES, UPKEEP, moves, partition_of
from service.registry.models.schedulers import Membership, SchedulerProcess
from service.registry.registry import Registry

RENEWALS: Final = 3
"""A lease is renewed so often before it could be taken over. Our choice."""
LONGEST_STEP_S: Final = 180.0
"""One step of an evaluation that takes longer counts as hanging, and others take over. Two servers
of a store that take a connection and never answer are given up after 126 s. Our choice."""
_END_WAIT_S: Final = 5.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Moved:
    """Leases that came and went since the last time."""

    gained: frozenset[str] = frozenset()
    lost: frozenset[str] = frozenset()


NOTHING_MOVED: Final = Moved()


class Leases(Protocol):
    """What a scheduler asks of its leases."""

    id: str

    def tend(self, *, may_give: bool = False, at_once: bool = False) -> Moved:
        """Renew the leases where that is due, and take what is free; returns what moved.

        Args:
            may_give: nothing is being evaluated: leases above its part may go to others.
            at_once: also where it is not due.

        Raises:
            LittoralError: the registry cannot be reached; all stays as it was known.
        """
        ...

    def holds(self, tank: str) -> bool:
        """Whether the tank is to be evaluated here."""
        ...

    def confirmed(self) -> Callable[[str], bool]:
        """``holds``, after asking the registry; what it says of it is returned by ``tend``."""
        ...

    def does_upkeep(self) -> bool:
        """Whether what is there once for all tanks is done here: deleting what is old."""
        ...

    def fence(self, tanks: Collection[str]) -> Fence | None:
        """What the writes on some tanks need, as it is now; None: nothing."""
        ...

    def shown(self) -> AbstractContextManager[None]:
        """Show others within a block that this process runs, also amid a step that takes long."""
        ...

    def leave(self) -> None:
        """Free all of them."""
        ...


class AllTanks:
    """For one scheduler by itself: it evaluates all tanks, and nothing is checked."""

    id = ""

    def tend(self, *, may_give: bool = False, at_once: bool = False) -> Moved:
        """Nothing moves."""
        return NOTHING_MOVED

    def holds(self, tank: str) -> bool:
        """Always."""
        return True

    def confirmed(self) -> Callable[[str], bool]:
        """``holds``."""
        return self.holds

    def does_upkeep(self) -> bool:
        """Always."""
        return True

    def fence(self, tanks: Collection[str]) -> Fence | None:
        """None."""
        return None

    def shown(self) -> AbstractContextManager[None]:
        """Nobody looks."""
        return nullcontext()

    def leave(self) -> None:
        """Nothing is held."""


class SharedLeases:
    """Leases in the registry, shared with other schedulers. Safe to use from several threads.

    A scheduler that is alone writes nothing: it sees who joins, and shows then that it runs.
    """

    def __init__(
        self,
        registry: Registry,
        name: str,
        lease_s: float,
        published: Collection[Mapping[str, Any]] = (),
        *,
        seconds: Callable[[], float] = time.monotonic,
        silence: Silence | None = None,
    ) -> None:
        """Hold nothing yet.

        Args:
            name: of this scheduler, for people.
            lease_s: others take over what it holds when it has been silent for so long.
            published: what it publishes over MQTT, for other schedulers to leave alone.
            seconds: a clock that only rises.
        """
        self.id = uuid.uuid4().hex
        self._registry = registry
        self._me = SchedulerProcess(self.id, name, this_process(), lease_s, tuple(published))
        self._every_s = lease_s / RENEWALS
        self._seconds = seconds
        self._silence = silence or Silence()
        self._lock = threading.Lock()
        self._tokens: dict[str, int] = {}
        self._gained: set[str] = set()
        self._lost: set[str] = set()
        self._due_s: float | None = None
        #: more is held than its part, which could not be given up when that was seen.
        self._above = False
        self._tended_s = seconds()

    def tend(self, *, may_give: bool = False, at_once: bool = False) -> Moved:
        """See ``Leases``."""
        self._tended_s = self._seconds()
        with self._lock:
            if at_once or self._is_due() or (may_give and self._above):
                self._renew(may_give)
            if not self._gained and not self._lost:
                return NOTHING_MOVED
            moved = Moved(frozenset(self._gained), frozenset(self._lost))
            self._gained, self._lost = set(), set()
            _log.info(
                "this scheduler holds %d of %d leases (%d gained, %d given up or lost)",
                len(self._tokens), len(LEASES), len(moved.gained), len(moved.lost),
            )  # fmt: skip
            return moved

    def confirmed(self) -> Callable[[str], bool]:
        """See ``Leases``."""
        with self._lock:
            try:
                self._renew(may_give=False)
            except LittoralError as error:
                _log.warning("the leases were not renewed: %s", error.detail)
            return self.holds

    def holds(self, tank: str) -> bool:
        """See ``Leases``."""
        return partition_of(tank) in self._tokens

    def does_upkeep(self) -> bool:
        """See ``Leases``."""
        return UPKEEP in self._tokens

    def fence(self, tanks: Collection[str]) -> Fence | None:
        """See ``Leases``."""
        tokens = self._tokens
        needed = {partition_of(tank) for tank in tanks}
        # One that is not held is asked for as well, and refused.
        return Fence(self.id, {name: tokens.get(name, 0) for name in needed}, self._every_s)

    @contextmanager
    def shown(self) -> Iterator[None]:
        """See ``Leases``."""
        end = threading.Event()

        def show() -> None:
            while not end.wait(self._every_s / 2):
                self.show_life()

        thread = threading.Thread(target=show, name="leases", daemon=True)
        thread.start()
        try:
            yield
        finally:
            end.set()
            thread.join(_END_WAIT_S)

    def show_life(self) -> None:
        """Renew the leases in place of a ``tend`` that is overdue, but not for a thread that hangs.

        Nothing is taken or given up. It waits for no other thread of this process.
        """
        if not self._every_s <= self._seconds() - self._tended_s <= LONGEST_STEP_S:
            return
        try:
            if set(self._registry.membership().schedulers) - {self.id}:
                self._registry.beat(self.id)
        except LittoralError as error:
            _log.warning("the leases were not renewed: %s", error.detail)
        except Exception:  # noqa: BLE001 - whatever it was, the next time may go well
            _log.exception("the leases were not renewed")

    def leave(self) -> None:
        """See ``Leases``."""
        with self._lock:
            self._tokens = {}
            self._registry.leave(self.id)

    def _is_due(self) -> bool:
        return self._due_s is None or self._seconds() >= self._due_s

    def _renew(self, may_give: bool) -> None:
        now_s = self._seconds()
        self._due_s = now_s + self._every_s
        before = self._tokens
        self._tokens = self._renewed(now_s, may_give).tokens_of(self.id)
        # What was lost and taken again was with another scheduler in between.
        self._gained |= {name for name, one in self._tokens.items() if before.get(name) != one}
        self._lost |= {name for name, one in before.items() if self._tokens.get(name) != one}

    def _renewed(self, now_s: float, may_give: bool) -> Membership:
        """All schedulers and leases after this one has renewed its own."""
        seen = self._registry.membership()
        others = {id: one for id, one in seen.schedulers.items() if id != self.id}
        silent = self._silence.hear(others, now_s, self._every_s)
        joined = self.id in seen.schedulers
        live = {self.id, *others} - set(silent)
        holders = {name: one.holder for name, one in seen.leases.items()}
        wanted = moves(self.id, live, holders)
        self._above = bool(wanted.give) and not may_give
        if silent or not joined or wanted.take or (wanted.give and may_give):
            return self._registry.divide(self._me, silent, may_give=may_give)
        if others and not self._registry.beat(self.id):
            # Others held it for gone, and have its leases.
            return self._registry.divide(self._me, {}, may_give=may_give)
        return seen


def holdings(seen: Membership) -> list[tuple[SchedulerProcess, int]]:
    """How many partitions of the tanks each scheduler holds, by name."""
    counted = [
        (one, sum(name != UPKEEP for name in seen.tokens_of(id)))
        for id, one in seen.schedulers.items()
    ]
    return sorted(counted, key=lambda each: (each[0].name, each[0].id))
