"""Scheduler: evaluates every tank periodically, updates the ledger and the integrations."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.change_events import LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.integration import Integration
from service.advice.engine.recommendation import Finding
from service.advice.engine.storage_faults import (
    LASTING,
    readings_unavailable,
    readings_waiting,
)
from service.advice.trials.keeping import without_undoing
from service.clock import Clock, SystemClock
from service.derive.drift_cache import MorningDrifts
from service.derive.models.tank_view import TankView
from service.derive.view_cache import ViewCache
from service.errors import (
    LittoralError,
    NotFoundError,
    StoreRefusedError,
    StoreUnavailableError,
)
from service.registry.models.absence import Absence
from service.registry.models.tank import Tank
from service.registry.models.trials import Trial
from service.registry.registry import Registry
from service.store.interface import Store
from service.times import format_moment

STATUS_NAME: Final = "advice:scheduler"
TANKS_AT_ONCE: Final = 200
"""Tanks whose findings go into the ledger in one transaction. Our choice."""
PRUNE_EVERY = timedelta(days=1)
EVENTS_STORED_FOR: Final = timedelta(days=30)
SESSIONS_STORED_FOR: Final = timedelta(days=90)
"""After their end. No session may be idle for longer (``[http] session_idle_hours``)."""
"""Events that nobody still waits for are stored for so long. Our choice."""

_log = logging.getLogger(__name__)


class Scheduler:
    """Evaluates all tanks every few seconds; run it in a thread of its own.

    One scheduler per registry: two would publish everything twice.
    """

    def __init__(
        self,
        registry: Registry,
        store: Store,
        clock: Clock,
        every_s: float,
        integrations: Iterable[Integration] = (),
        *,
        keep_audit: timedelta | None = None,
        drifts: MorningDrifts | None = None,
    ) -> None:
        """Prepare; ``run`` begins.

        Args:
            every_s: machine seconds from one evaluation to the next.
            keep_audit: age, by the machine's clock, at which records of the audit are deleted;
                None: never.
            drifts: where the drifts of pH probes that are found are left for others to read.
        """
        self._registry = registry
        self._store = store
        self._clock = clock
        self._every_s = every_s
        self._integrations = tuple(integrations)
        self._keep_audit = keep_audit
        self._ledger = Ledger(registry)
        self._wake = threading.Event()
        self._evaluated_before: frozenset[str] = frozenset()
        self._pruned: datetime | None = None
        self._failed: list[str] = []
        self._evaluated: str | None = None
        self._unreadable_since: datetime | None = None
        self._waiting: list[Finding] = []
        self._trials: Sequence[Trial] = ()
        self._views = ViewCache(registry, store, drifts)

    def run(self, stop: threading.Event) -> None:
        """Evaluate until ``stop`` is set; what goes wrong is logged and does not end it."""
        for integration in self._integrations:
            integration.start()
        try:
            while not stop.is_set():
                began = time.monotonic()
                self.run_once()
                self._wait(stop, began)
        finally:
            for integration in self._integrations:
                integration.stop()

    def nudge(self) -> None:
        """Evaluate again now, such as after a log entry."""
        self._wake.set()

    def evaluate_all(self) -> dict[str, LedgerChange]:
        """Evaluate every tank once; returns what changed, by tank.

        Raises:
            LittoralError: registry or store cannot be reached; the ledger then stays as it is.
        """
        now = self._clock.now()
        tanks = self._registry.tanks()
        changes: dict[str, LedgerChange] = {}
        failed: list[str] = []
        self._views.begin()
        self._retain_only(frozenset(tank.id for tank in tanks))
        absences = self._registry.absences()
        self._trials = self._registry.running_trials()
        self._waiting = readings_waiting(self._registry.statuses(), now)
        for first in range(0, len(tanks), TANKS_AT_ONCE):
            some = tanks[first : first + TANKS_AT_ONCE]
            changes |= self._evaluate(some, absences, now, failed)
        self._prune(now)
        self._failed = failed
        return changes

    def _evaluate(
        self, tanks: Sequence[Tank], absences: Sequence[Absence], now: datetime, failed: list[str]
    ) -> dict[str, LedgerChange]:
        active = self._ledger.active([tank.id for tank in tanks], now)
        self._views.prepare(tanks, now)
        evaluated: list[tuple[TankView, list[Finding]]] = []
        for tank in tanks:
            try:
                view = self._views.view(tank, now)
                findings = self._without_undoing(view, evaluate(view, active[tank.id], absences))
                evaluated.append((view, [*findings, *self._waiting]))
            except NotFoundError:
                continue  # deleted since the list was read
            except LittoralError:
                raise
            except Exception:  # noqa: BLE001 - one odd tank must not leave all others without advice
                _log.exception("advice on tank %s failed", tank.id)
                failed.append(tank.id)
        changes = self._ledger.update_many(evaluated)
        for view, _ in evaluated:
            if view.tank.id not in changes:
                continue  # deleted since it was evaluated
            for integration in self._integrations:
                with _failure_logged(integration):
                    integration.update(view, changes[view.tank.id])
        return changes

    def _without_undoing(self, view: TankView, findings: list[Finding]) -> list[Finding]:
        """The findings without those that a running trial of the tank holds."""
        if not any(one.tank == view.tank.id for one in self._trials):
            return findings
        return without_undoing(view, findings, self._trials, self._registry, self._store)

    def run_once(self) -> None:
        """Evaluate every tank once, and store a status of how it went in the registry."""
        began = time.monotonic()
        at = format_moment(self._clock.now())
        status: dict[str, object] = {"time": at, "every_s": self._every_s}
        try:
            changes = self.evaluate_all()
            self._evaluated = at
            self._unreadable_since = None
            status |= {"tanks": len(changes), "failed": self._failed, "error": None}
        except LittoralError as error:
            _log.warning("the tanks were not evaluated: %s", error.detail)
            status |= {"tanks": 0, "failed": [], "error": error.detail}
            self._note_unreadable(error)
        status["mended"] = {one.name: one.mended for one in self._integrations}
        status |= {"evaluated": self._evaluated, "seconds": time.monotonic() - began}
        try:
            self._registry.put_status(STATUS_NAME, status)
        except LittoralError as error:
            _log.warning("the status of the scheduler was not stored: %s", error.detail)

    def _note_unreadable(self, error: LittoralError) -> None:
        """Recommend to call somebody once the store has been away for a while."""
        if not isinstance(error, StoreUnavailableError | StoreRefusedError):
            return
        now = self._clock.now()
        since = self._unreadable_since = self._unreadable_since or now
        if now - since < LASTING:
            return
        try:
            tanks = self._registry.tank_ids()
            self._ledger.note(tanks, readings_unavailable(error.detail, since), now)
        except LittoralError as fault:
            _log.warning("that the store is away was not recorded: %s", fault.detail)

    def _wait(self, stop: threading.Event, began: float) -> None:
        """Sleep until the next evaluation is due, somebody nudges, or it is time to stop."""
        until = began + self._every_s
        while not stop.is_set() and not self._wake.is_set():
            left_s = until - time.monotonic()
            if left_s <= 0:
                break
            self._wake.wait(min(left_s, 0.2))
        self._wake.clear()

    def _retain_only(self, present: frozenset[str]) -> None:
        for tank in self._evaluated_before - present:
            self._views.forget(tank)
        for integration in self._integrations:
            with _failure_logged(integration):
                integration.retain_only(present)
        self._evaluated_before = present

    def _prune(self, now: datetime) -> None:
        if self._pruned is None or now - self._pruned >= PRUNE_EVERY:
            self._ledger.prune(now)
            self._registry.prune_events(now - EVENTS_STORED_FOR)
            self._registry.prune_sessions(now - SESSIONS_STORED_FOR)
            if self._keep_audit is not None:
                self._registry.prune_audit(SystemClock().now() - self._keep_audit)
            self._pruned = now


@contextmanager
def _failure_logged(integration: Integration) -> Iterator[None]:
    """An integration that fails must hold up neither the others nor the loop."""
    try:
        yield
    except Exception:  # noqa: BLE001 - whatever it is, the others have to go on
        _log.exception("integration %s failed", integration.name)
