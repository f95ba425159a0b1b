"""Evaluates the tanks that a scheduler holds: views, rules, ledger, integrations."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.change_events import LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.integration import Integration, failure_logged
from service.advice.engine.recommendation import Finding
from service.advice.engine.storage_faults import readings_waiting
from service.advice.sharing.leases import Leases, Moved
from service.advice.trials.keeping import without_undoing
from service.derive.caching.view_cache import ViewCache
from service.derive.models.tank_view import TankView
from service.errors import LittoralError, NotFoundError
from service.registry.database.fencing import Fence, LeaseLostError, fenced
from service.registry.models.absence import Absence
from service.registry.models.partitions import partition_of
from service.registry.models.tank import Tank
from service.registry.models.trials import Trial
from service.registry.registry import Registry
from service.store.interface import Store

TANKS_AT_ONCE: Final = 200
"""Tanks whose findings go into the ledger in one transaction. Our choice."""

_log = logging.getLogger(__name__)


class Evaluator:
    """Evaluates all tanks of its own, one after the other; for one thread."""

    def __init__(
        self,
        registry: Registry,
        store: Store,
        ledger: Ledger,
        views: ViewCache,
        leases: Leases,
        integrations: Iterable[Integration],
    ) -> None:
        """Nothing is evaluated yet.

        Args:
            leases: which tanks are its own.
        """
        self._registry = registry
        self._store = store
        self._ledger = ledger
        self._views = views
        self._leases = leases
        self._integrations = tuple(integrations)
        self._before: frozenset[str] = frozenset()
        self._waiting: list[Finding] = []
        self._trials: Sequence[Trial] = ()
        self._stopping = threading.Event()
        self.failed: list[str] = []
        """The tanks whose advice failed in the last evaluation."""
        self.gained = False
        """Tanks were taken over for which the present evaluation came too late."""

    def evaluate_all(self, now: datetime, stopping: threading.Event) -> dict[str, LedgerChange]:
        """Evaluate every tank of its own once; returns what changed, by tank.

        Args:
            stopping: ends it before the next tank.

        Raises:
            LittoralError: registry or store cannot be reached; the ledger then stays as it is.
        """
        self._stopping = stopping
        self.release(self._leases.tend(may_give=True))
        self.gained = False
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
            if stopping.is_set():
                break  # what the rest needs is not even asked for
            self.release(self._leases.tend(may_give=True))
            some = filter(self._leases.holds, own[first : first + TANKS_AT_ONCE])
            changes |= self._evaluate(self._registry.tanks_of(list(some)), absences, now, failed)
        self.failed = failed
        return changes

    def release(self, moved: Moved) -> None:
        """Leave the tanks that other schedulers evaluate now to these."""
        self.gained |= bool(moved.gained)
        if not moved.lost:
            return  # as nearly always, and this is called for each tank of thousands
        lost = frozenset(tank for tank in self._before if partition_of(tank) in moved.lost)
        if not lost:
            return
        self._forget(lost)
        for integration in self._integrations:
            with failure_logged(integration):
                integration.release(lost)
        self._before -= lost

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
            self.release(self._leases.tend())
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
        self._views.put_first_sensors()
        changes = self._update(evaluated, whole)
        for view, _ in evaluated:
            self.release(self._leases.tend())
            if view.tank.id not in changes or not self._leases.holds(view.tank.id):
                continue  # deleted since it was evaluated, or another scheduler's now
            for integration in self._integrations:
                with failure_logged(integration):
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
            self.release(self._leases.tend(at_once=True))
            return self._update(kept, replace(fence, tokens=left)) if kept else {}

    def _without_undoing(self, view: TankView, findings: list[Finding]) -> list[Finding]:
        """The findings without those that a running trial of the tank holds."""
        if not any(one.tank == view.tank.id for one in self._trials):
            return findings
        return without_undoing(view, findings, self._trials, self._registry, self._store)

    def _forget(self, tanks: frozenset[str]) -> None:
        """Tanks that are deleted, or another scheduler's now."""
        for tank in tanks:
            self._views.forget(tank)
            self._ledger.forget(tank)

    def _retain_only(self, present: frozenset[str], own: frozenset[str]) -> None:
        self._forget(self._before - present)
        for integration in self._integrations:
            with failure_logged(integration):
                integration.retain_only(present)
        self._before = own
