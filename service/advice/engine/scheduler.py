"""Scheduler: evaluates every tank periodically, updates the ledger and the integrations."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

from service.advice.engine.evaluator import Evaluator
from service.advice.engine.history.change_events import LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.integration import Integration, failure_logged
from service.advice.engine.storage_faults import (
    LASTING,
    readings_unavailable,
)
from service.advice.engine.upkeep import Upkeep
from service.advice.sharing.leases import AllTanks, Leases
from service.clock import Clock
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.caching.view_cache import ViewCache
from service.errors import (
    LittoralError,
    StoreRefusedError,
    StoreUnavailableError,
)
from service.registry.database.fencing import fenced
from service.registry.models.schedulers import status_name
from service.registry.registry import Registry
from service.registry.status_report import StatusReport
from service.store.interface import Store
from service.times import format_moment

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
        self._clock = clock
        self._every_s = every_s
        self._integrations = tuple(integrations)
        self._ledger = Ledger(registry)
        self._leases = AllTanks() if leases is None else leases
        self._report = StatusReport(status_name(self._leases.id), registry, _what_matters)
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._evaluated: str | None = None
        self._unreadable_since: datetime | None = None
        self._upkeep = Upkeep(registry, self._ledger, keep_audit)
        views = ViewCache(registry, store, drifts)
        given = registry, store, self._ledger, views, self._leases
        self._evaluator = Evaluator(*given, self._integrations)

    def run(self, stop: threading.Event) -> None:
        """Evaluate until ``stop`` is set; what goes wrong is logged and does not end it."""
        self._stopping = stop
        with self._leases.shown():
            self._tend(at_once=True)  # others are to know of it before it publishes anything
            for integration in self._integrations:
                with failure_logged(integration):
                    integration.start()
            while not stop.is_set():
                began = time.monotonic()
                self.run_once()
                self._wait(stop, began)
            for integration in self._integrations:
                with failure_logged(integration):
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
        changes = self._evaluator.evaluate_all(now, self._stopping)
        if self._leases.does_upkeep() and not self._stopping.is_set():
            self._upkeep.prune(now)
        return changes

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
            status |= {"tanks": len(changes), "failed": self._evaluator.failed, "error": None}
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
            self._report.put(status)

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
            if self._evaluator.gained:
                break
            left_s = until - time.monotonic()
            if left_s <= 0:
                break
            self._wake.wait(min(left_s, 0.2))
        self._wake.clear()
        self._evaluator.gained = False

    def _tend(self, *, may_give: bool = False, at_once: bool = False) -> None:
        """Renew the leases outside an evaluation; a registry that is away is logged."""
        with _error_logged("the leases were not renewed"):
            self._evaluator.release(self._leases.tend(may_give=may_give, at_once=at_once))


def _what_matters(status: Mapping[str, Any]) -> Mapping[str, Any]:
    """Of the status, what is stored as soon as it changes: all but times and counts."""
    counts = ("time", "evaluated", "seconds", "mended")
    return {name: value for name, value in status.items() if name not in counts}


@contextmanager
def _error_logged(what: str) -> Iterator[None]:
    """A registry that is away, or whatever else, does not end the loop."""
    try:
        yield
    except LittoralError as error:
        _log.warning("%s: %s", what, error.detail)
    except Exception:  # noqa: BLE001 - see above
        _log.exception("%s", what)
