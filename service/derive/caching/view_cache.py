"""Views of tanks that are evaluated again and again, without deriving all of it each time.

What is reused, means of series, CO2, days of light, the fitted gas exchange, is checked against
store, registry and log each time: a view is what ``tank_view(load(...))`` would give.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from service.derive.caching.cache_size import tanks_cached
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.caching.registry_snapshot import RegistrySnapshot
from service.derive.caching.series_cache import SeriesCache, read_totals
from service.derive.caching.series_refresh import DAY_US, Renewal, refresh
from service.derive.co2.series import co2_series
from service.derive.co2.target import Target, target_of
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.inputs import Inputs
from service.derive.loader import VIEW_DAYS, load_newest, with_days
from service.derive.log_in_force import LogSource
from service.derive.models.gas_exchange import GasModel
from service.derive.models.tank_view import TankView
from service.derive.series_reading import HOUR_US, Reader, means
from service.derive.tank_view import Derived, tank_view
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.registry.repositories.log.in_force import LogInForce
from service.science.sensors.electrode_drift import ElectrodeDrift
from service.store.interface import Store
from service.store.model import SeriesInfo, SeriesKey
from service.times import to_us

MOST_TANKS: Final = tanks_cached()
"""Tanks whose means are cached. Those of others are read at each evaluation."""

REFIT_AFTER: Final = timedelta(hours=24)
"""Exchange and injection drift over days, not hours. Our choice."""

RETRY_AFTER: Final = timedelta(hours=1)
"""Where nothing could be fitted, new readings may be enough so soon. Our choice."""

FEW_SERIES: Final = 10
"""So many series of a tank are read together with those of others before it is known which of them
count; where there are more, those that count are read when its view is made. Our choice."""

BUDGET_S: Final = 2.0
"""Seconds of one evaluation that fits may take; the other tanks have their turn at the next."""

WINDOW_US: Final = (FIT_DAYS + 1) * DAY_US
"""A fit is made of ``FIT_DAYS`` and up to a day old when it is checked."""


@dataclass(frozen=True, slots=True)
class _Basis:
    """What derived values rest on beside the readings and the present."""

    tank: Tank
    log: tuple[LogEntry, ...]
    keys: frozenset[SeriesKey]
    target: Target

    @classmethod
    def of(cls, inputs: Inputs) -> _Basis:
        chosen = (one.info for one in inputs.chosen.values())
        keys = frozenset(info.key for info in chosen if info is not None)
        target = target_of(inputs.tank, inputs.tolerance.co2_comfortable_mg_l)
        return cls(inputs.tank, inputs.log, keys, target)


@dataclass(frozen=True, slots=True)
class _Fit:
    """A fitted gas exchange, with a digest of the hours it was fitted to."""

    basis: _Basis
    model: GasModel
    digest: int


@dataclass(frozen=True, slots=True)
class _Prepared:
    """What was asked for a tank together with others; its next view is made of it."""

    registry: LogSource
    stored: Sequence[SeriesInfo] | None


@dataclass(slots=True)
class _Cached:
    """What is cached of one tank.

    Attributes:
        keys: the series that counted last.
    """

    series: SeriesCache
    log: LogInForce | None = None
    keys: frozenset[SeriesKey] | None = None
    derived: Derived = field(default_factory=Derived)


class ViewCache:
    """Views of the tanks of one registry and store; not for several threads at a time."""

    def __init__(
        self, registry: Registry, store: Store, drifts: MorningDrifts | None = None
    ) -> None:
        """Empty at first.

        Args:
            drifts: where drifts of pH probes are left for others to read.
        """
        self._drifts = MorningDrifts() if drifts is None else drifts
        self._registry = registry
        self._store = store
        self._tanks: dict[str, _Cached] = {}
        self._fits: dict[str, _Fit] = {}
        self._prepared: dict[str, _Prepared] = {}
        self._first: dict[str, Mapping[str, str]] = {}
        self._left_s = 0.0

    def begin(self) -> None:
        """A new evaluation of all tanks begins, with a fresh budget for fits."""
        self._left_s = BUDGET_S
        self._prepared, self._first = {}, {}

    def prepare(self, tanks: Sequence[Tank], now: datetime) -> None:
        """Ask at once what is needed of several tanks; the next view of each is made of it.

        Raises:
            RegistryUnavailableError: as the registry finds.
            StoreUnavailableError, StoreRefusedError: as the store finds.
        """
        cached = {tank.id: found for tank in tanks if (found := self._cached(tank)) is not None}
        known = {tank: one.log for tank, one in cached.items() if one.log is not None}
        ids = [tank.id for tank in tanks]
        snapshot = RegistrySnapshot.of(self._registry, ids, now, known)
        for tank, one in cached.items():
            one.log = snapshot.logs.get(tank)
        stored: dict[str, list[SeriesInfo]] = {id: [] for id in ids}
        for info in self._store.series_of(ids):
            stored[info.key.tank].append(info)
        renewals: list[Renewal] = []
        for tank, one in cached.items():
            renewals += one.series.renewals(_likely_keys(one, stored[tank]), to_us(now) + 1)
        refresh(self._store, renewals)
        self._prepared = {id: _Prepared(snapshot, stored[id]) for id in ids}

    def view(self, tank: Tank, now: datetime) -> TankView:
        """Everything that rules may know of a tank, with its gas exchange as far as fitted.

        Raises:
            StoreUnavailableError, StoreRefusedError, NotFoundError: as ``load``.
        """
        cached = self._cached(tank)
        prepared = self._prepared.pop(tank.id, None) or _Prepared(self._registry, None)
        if cached is None:
            return self._view(tank, now, prepared, None)
        try:
            return self._view(tank, now, prepared, cached)
        finally:
            cached.series.ask_again()

    def _view(
        self, tank: Tank, now: datetime, prepared: _Prepared, cached: _Cached | None
    ) -> TankView:
        newest = load_newest(tank, prepared.registry, self._store, now, stored=prepared.stored)
        reader = means(self._store) if cached is None else cached.series.read
        inputs = with_days(newest, VIEW_DAYS, reader)
        self._note_first_sensors(inputs, prepared.registry)
        basis = _Basis.of(inputs)
        if cached is not None:
            cached.keys = basis.keys
            cached.series.keep_only(basis.keys)
        gas = self._gas(newest, basis, cached, reader)
        drift = self._drift(inputs, gas, newest, cached, reader)
        before = None if cached is None else cached.derived
        return tank_view(inputs, gas=gas, drift=drift, before=before)

    def _note_first_sensors(self, inputs: Inputs, registry: LogSource) -> None:
        known = registry.first_sensors(inputs.tank.id)
        new = {
            quantity: sensor
            for quantity, sensor in inputs.first_sensors.items()
            if known.get(quantity) != sensor
        }
        if new:
            self._first[inputs.tank.id] = new

    def put_first_sensors(self) -> None:
        """Write down which sensors were first, as found for the views since it was called last.

        So they are known after the store's retention has blurred it. What is not written because
        something failed in between is found again with the next view.

        Raises:
            RegistryUnavailableError: as the registry finds.
        """
        first, self._first = self._first, {}
        self._registry.put_first_sensors(first)

    def forget(self, tank: str) -> None:
        """A tank is no longer evaluated."""
        self._tanks.pop(tank, None)
        self._fits.pop(tank, None)
        self._first.pop(tank, None)
        self._drifts.forget(tank)

    def _cached(self, tank: Tank) -> _Cached | None:
        """What is cached of a tank; None where there are too many."""
        found = self._tanks.get(tank.id)
        if found is None and len(self._tanks) < MOST_TANKS:
            window_us = WINDOW_US if tank.co2_injected else VIEW_DAYS * DAY_US
            found = self._tanks[tank.id] = _Cached(SeriesCache(self._store, window_us))
        return found

    def _gas(
        self,
        newest: Inputs,
        basis: _Basis,
        cached: _Cached | None,
        reader: Reader,
    ) -> GasModel | None:
        """The gas exchange as last fitted; fitted now where it is due and the budget allows."""
        tank, now = newest.tank, newest.now
        if not tank.co2_injected:
            return None
        known = self._fits.get(tank.id)
        if known is not None and self._holds(known, basis, now, cached):
            return known.model
        if self._left_s <= 0.0:
            return None if known is None else known.model
        with self._charged():
            # The digest first: what is written in between differs at the next check.
            digest = self._digest(basis.keys, now, cached)
            co2 = co2_series if cached is None else cached.derived.co2.series
            model = gas_exchange(with_days(newest, FIT_DAYS, reader), co2)
        self._fits[tank.id] = _Fit(basis, model, digest)
        return model

    def _drift(
        self,
        inputs: Inputs,
        gas: GasModel | None,
        newest: Inputs,
        cached: _Cached | None,
        reader: Reader,
    ) -> ElectrodeDrift | None:
        """The drift of the pH probe as last found; found now where the budget allows."""
        if self._left_s <= 0.0:
            return self._drifts.known(inputs)
        with self._charged():
            co2 = co2_series if cached is None else cached.derived.co2.series
            return self._drifts.find(inputs, gas, newest, self._store, reader, co2)

    @contextmanager
    def _charged(self) -> Iterator[None]:
        """What is done here counts against the budget; the views beside it do not."""
        began = time.monotonic()
        try:
            yield
        finally:
            self._left_s -= time.monotonic() - began

    def _holds(self, fit: _Fit, basis: _Basis, now: datetime, cached: _Cached | None) -> bool:
        """Whether a fit is young enough and rests on what store, registry and log hold now."""
        age = now - fit.model.fitted
        if age >= (RETRY_AFTER if fit.model.fit is None else REFIT_AFTER) or basis != fit.basis:
            return False
        return self._digest(fit.basis.keys, fit.model.fitted, cached) == fit.digest

    def _digest(self, keys: frozenset[SeriesKey], fitted: datetime, cached: _Cached | None) -> int:
        """A number that differs where an hour of the days before a fit was rewritten."""
        end_us = to_us(fitted) // HOUR_US * HOUR_US
        start_us = end_us - FIT_DAYS * DAY_US
        digests = []
        for key in sorted(keys):
            if cached is None:
                hours = read_totals(self._store, key, start_us, end_us)
            else:
                hours = cached.series.hours(key)
            digests.append(hours.part(start_us, end_us).digest())
        return hash(tuple(digests))


def _likely_keys(cached: _Cached, stored: Sequence[SeriesInfo]) -> Collection[SeriesKey]:
    """The series that count, as far as it is known before the tank's view is made."""
    if cached.keys is not None:
        return cached.keys
    return [info.key for info in stored] if len(stored) <= FEW_SERIES else ()
