"""Scheduler: evaluates every tank periodically, updates the ledger and the integrations."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
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
from service.advice.sharing.leases import AllTanks, Leases, Moved
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
from service.registry.database.fencing import Fence, LeaseLostError, fenced
from service.registry.models.absence import Absence
from service.registry.models.partitions import partition_of
from service.registry.models.schedulers import status_name
from service.registry.models.tank import Tank
from service.registry.models.trials import Trial
from service.registry.registry import Registry
from service.store.interface import Store
from service.times import format_moment

TANKS_AT_ONCE: Final = 200
"""Tanks whose findings go into the ledger in one transaction. Our choice."""
PRUNE_EVERY = timedelta(days=1)
EVENTS_STORED_FOR: Final = timedelta(days=30)
SESSIONS_STORED_FOR: Final = timedelta(days=90)
"""After their end. No session may be idle for longer (``[http] session_idle_hours``)."""
"""Events that nobody still waits for are stored for so long. Our choice."""

_log = logging.getLogger(__name__)


class Scheduler:
    """Evaluates its tanks every few seconds; run it in a thread of its own.

    Several schedulers of one registry share the tanks by their leases. One without leases evaluates
    all tanks: two of those would publish everything twice.
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
        leases: Leases | None = None,
    ) -> None:
        """Prepare; ``run`` begins.

        Args:
            every_s: machine seconds from one evaluation to the next.
            keep_audit: age, by the machine's clock, at which records of the audit are deleted;
                None: never.
            drifts: where the drifts of pH probes that are found are left for others to read.
            leases: which tanks are its own; None: all.
        """
        self._registry = registry
        self._store = store
        self._clock = clock
        self._every_s = every_s
        self._integrations = tuple(integrations)
        self._keep_audit = keep_audit
        self._ledger = Ledger(registry)
        self._leases = AllTanks() if leases is None else leases
        self._status_name = status_name(self._leases.id)
        self._wake = threading.Event()
        self._stopping = threading.Event()
        #: tanks were taken over for which the present evaluation came too late.
        self._gained = False
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
        self._stopping = stop
        with self._leases.shown():
            self._tend(at_once=True)  # others are to know of it before it publishes anything
            for integration in self._integrations:
                with _failure_logged(integration):
                    integration.start()
            while not stop.is_set():
                began = time.monotonic()
                self.run_once()
                self._wait(stop, began)
            for integration in self._integrations:
                with _failure_logged(integration):
                    integration.stop()
        with _error_logged("the leases were not freed"):
            self._leases.leave()

    def nudge(self) -> None:
        """Evaluate again now, such as after a log entry."""
        self._wake.set()

    def evaluate_all(self) -> dict[str, LedgerChange]:
        """Evaluate every tank of its own once; returns what changed, by tank.

        A stop ends it before the next tank.

        Raises:
            LittoralError: registry or store cannot be reached; the ledger then stays as it is.
        """
        now = self._clock.now()
        self._release(self._leases.tend(may_give=True))
        self._gained = False
        present = self._registry.tank_ids()
        own = sorted(filter(self._leases.holds, present))
        changes: dict[str, LedgerChange] = {}
        failed: list[str] = []
        self._views.begin()
        self._retain_only(present, frozenset(own))
        absences = self._registry.absences()
        self._trials = self._registry.running_trials()
        self._waiting = readings_waiting(self._registry.statuses(), now)
        for first in range(0, len(own), TANKS_AT_ONCE):
            self._release(self._leases.tend(may_give=True))
            some = filter(self._leases.holds, own[first : first + TANKS_AT_ONCE])
            changes |= self._evaluate(self._registry.tanks_of(list(some)), absences, now, failed)
        if self._leases.does_upkeep() and not self._stopping.is_set():
            self._prune(now)
        self._failed = failed
        return changes

    def _evaluate(
        self, tanks: Sequence[Tank], absences: Sequence[Absence], now: datetime, failed: list[str]
    ) -> dict[str, LedgerChange]:
        fences = {tank.id: self._leases.fence([tank.id]) for tank in tanks}
        whole = self._leases.fence([tank.id for tank in tanks])
        active = self._ledger.active([tank.id for tank in tanks], now)
        self._views.prepare(tanks, now)
        evaluated: list[tuple[TankView, list[Finding]]] = []
        for tank in tanks:
            if self._stopping.is_set():
                return {}
            self._release(self._leases.tend())
            if not self._leases.holds(tank.id):
                continue
            try:
                view = self._views.view(tank, now)
                findings = evaluate(view, active[tank.id], absences)
                with fenced(fences[tank.id]):
                    findings = self._without_undoing(view, findings)
                evaluated.append((view, [*findings, *self._waiting]))
            except (NotFoundError, LeaseLostError):
                continue  # deleted since the list was read, or another scheduler's now
            except LittoralError:
                raise
            except Exception:  # noqa: BLE001 - one odd tank must not leave all others without advice
                _log.exception("advice on tank %s failed", tank.id)
                failed.append(tank.id)
        changes = self._update(evaluated, whole)
        for view, _ in evaluated:
            self._release(self._leases.tend())
            if view.tank.id not in changes or not self._leases.holds(view.tank.id):
                continue  # deleted since it was evaluated, or another scheduler's now
            for integration in self._integrations:
                with _failure_logged(integration):
                    integration.update(view, changes[view.tank.id])
        return changes

    def _update(
        self, evaluated: Sequence[tuple[TankView, Sequence[Finding]]], fence: Fence | None
    ) -> dict[str, LedgerChange]:
        """Put findings into the ledger; those of tanks that were lost meanwhile are left out."""
        try:
            with fenced(fence):
                return self._ledger.update_many(evaluated)
        except LeaseLostError as error:
            _log.warning("%s", error.detail)
            assert fence is not None
            left = {name: one for name, one in fence.tokens.items() if name not in error.leases}
            kept = [one for one in evaluated if partition_of(one[0].tank.id) in left]
            self._release(self._leases.tend(at_once=True))
            return self._update(kept, replace(fence, tokens=left)) if kept else {}

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
            if self._stopping.is_set():
                return  # it may have been ended amid the tanks
            self._evaluated = at
            self._unreadable_since = None
            status |= {"tanks": len(changes), "failed": self._failed, "error": None}
        except LittoralError as error:
            _log.warning("the tanks were not evaluated: %s", error.detail)
            status |= {"tanks": 0, "failed": [], "error": error.detail}
            self._note_unreadable(error)
        except Exception as error:  # noqa: BLE001 - whatever it is, the next one may go well
            _log.exception("the tanks were not evaluated")
            detail = f"an unexpected error ({type(error).__name__}), which the log shows"
            status |= {"tanks": 0, "failed": [], "error": detail}
        status["mended"] = {one.name: one.mended for one in self._integrations}
        status |= {"evaluated": self._evaluated, "seconds": time.monotonic() - began}
        with _error_logged("the status of the scheduler was not stored"):
            self._registry.put_status(self._status_name, status)

    def _note_unreadable(self, error: LittoralError) -> None:
        """Recommend to call somebody once the store has been away for a while."""
        if not isinstance(error, StoreUnavailableError | StoreRefusedError):
            return
        now = self._clock.now()
        since = self._unreadable_since = self._unreadable_since or now
        if now - since < LASTING:
            return
        try:
            tanks = [*filter(self._leases.holds, self._registry.tank_ids())]
            with fenced(self._leases.fence(tanks)):
                self._ledger.note(tanks, readings_unavailable(error.detail, since), now)
        except LittoralError as fault:
            _log.warning("that the store is away was not recorded: %s", fault.detail)

    def _wait(self, stop: threading.Event, began: float) -> None:
        """Sleep until the next evaluation is due, somebody nudges, or it is time to stop.

        What is gained of other schedulers is evaluated at once.
        """
        until = began + self._every_s
        while not stop.is_set() and not self._wake.is_set():
            self._tend(may_give=True)
            if self._gained:
                break
            left_s = until - time.monotonic()
            if left_s <= 0:
                break
            self._wake.wait(min(left_s, 0.2))
        self._wake.clear()
        self._gained = False

    def _tend(self, *, may_give: bool = False, at_once: bool = False) -> None:
        """Renew the leases outside an evaluation; a registry that is away is logged."""
        with _error_logged("the leases were not renewed"):
            self._release(self._leases.tend(may_give=may_give, at_once=at_once))

    def _release(self, moved: Moved) -> None:
        """Leave the tanks that other schedulers evaluate now to these."""
        self._gained |= bool(moved.gained)
        if not moved.lost:
            return  # as nearly always, and this is called for each tank of thousands
        lost = frozenset(
            tank for tank in self._evaluated_before if partition_of(tank) in moved.lost
        )
        if not lost:
            return
        for tank in lost:
            self._views.forget(tank)
        for integration in self._integrations:
            with _failure_logged(integration):
                integration.release(lost)
        self._evaluated_before -= lost

    def _retain_only(self, present: frozenset[str], own: frozenset[str]) -> None:
        for tank in self._evaluated_before - present:
            self._views.forget(tank)
        for integration in self._integrations:
            with _failure_logged(integration):
                integration.retain_only(present)
        self._evaluated_before = own

    def _prune(self, now: datetime) -> None:
        if self._pruned is None or now - self._pruned >= PRUNE_EVERY:
            self._ledger.prune(now)
            self._registry.prune_events(now - EVENTS_STORED_FOR)
            self._registry.prune_sessions(now - SESSIONS_STORED_FOR)
            if self._keep_audit is not None:
                self._registry.prune_audit(SystemClock().now() - self._keep_audit)
            self._pruned = now


@contextmanager
def _error_logged(what: str) -> Iterator[None]:
    """A registry that is away, or whatever else, does not end the loop."""
    try:
        yield
    except LittoralError as error:
        _log.warning("%s: %s", what, error.detail)
    except Exception:  # noqa: BLE001 - see above
        _log.exception("%s", what)


@contextmanager
def _failure_logged(integration: Integration) -> Iterator[None]:
    """An integration that fails must hold up neither the others nor the loop."""
    try:
        yield
    except Exception:  # noqa: BLE001 - whatever it is, the others have to go on
        _log.exception("integration %s failed", integration.name)
