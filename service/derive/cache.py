"""Views of tanks that are looked at again and again: what was loaded before is kept.

Most of a look is reading eight days of means from the store. Here only the last hours are read
again; everything is read anew every few hours, so that readings that came late count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.inputs import view_from
from service.derive.loader import VIEW_DAYS, Means, at_middles, material_of
from service.derive.models import Array, GasModel, LightDay, TankView
from service.registry.models import LogEntry, Tank
from service.registry.registry import Registry
from service.store.interface import Store
from service.store.model import MEAN_ALONE, Samples, SeriesKey

OVERLAP_US: Final = 2 * 3_600_000_000
"""So far back readings may come late and still count at the next look. Our choice."""

ANEW_AFTER: Final = timedelta(hours=6)
"""So often everything is read anew. Our choice."""

MOST_TANKS: Final = 300
"""Tanks that are kept; about 0.3 MB each. Others are read whole at every look."""


@dataclass(slots=True)
class _Held:
    """Means of one series: starts of the spans, microseconds, and their values."""

    start_us: npt.NDArray[np.int64]
    mean: Array
    from_us: int
    step_us: int


@dataclass(slots=True)
class _Tank:
    """What is kept of one tank."""

    tank: Tank
    log: tuple[LogEntry, ...]
    read: datetime
    series: dict[SeriesKey, _Held]
    days: Mapping[date, LightDay]


class Looks:
    """Not for several threads at a time."""

    def __init__(self) -> None:
        """Nothing kept yet."""
        self._tanks: dict[str, _Tank] = {}

    def view(
        self,
        tank: Tank,
        registry: Registry,
        store: Store,
        now: datetime,
        gas: GasModel | None = None,
    ) -> TankView:
        """As ``build.view_of``, with the same errors."""
        held = self._kept(tank, now)
        reader: Means | None = None if held is None else partial(_read, held.series, store)
        material = material_of(tank, registry, store, now, days=VIEW_DAYS, reader=reader)
        if held is None:
            return view_from(replace(material, gas=gas))
        if material.log != held.log:
            held.days = {}  # a KH test or a water change moves the CO2 of days before
        held.log = material.log
        view = view_from(replace(material, gas=gas, known_days=held.days))
        held.days = {one.day: one for one in view.light_days if one.complete}
        return view

    def forget(self, tank: str) -> None:
        """A tank is no longer looked at."""
        self._tanks.pop(tank, None)

    def _kept(self, tank: Tank, now: datetime) -> _Tank | None:
        """What is kept of a tank; begun anew where it is old or the tank was changed."""
        held = self._tanks.get(tank.id)
        if held is not None and held.tank == tank and timedelta() <= now - held.read < ANEW_AFTER:
            return held
        if held is None and len(self._tanks) >= MOST_TANKS:
            return None
        self._tanks[tank.id] = fresh = _Tank(tank, (), now, {}, {})
        return fresh


def _read(
    held: dict[SeriesKey, _Held],
    store: Store,
    key: SeriesKey,
    start_us: int,
    end_us: int,
    step_us: int,
) -> Samples:
    """Means of a series from what is held and what is new; and hold them."""
    known = held.get(key)
    if known is None or known.step_us != step_us or known.from_us > start_us:
        found = store.aggregate(key, start_us, end_us, step_us, wanted=MEAN_ALONE)
        held[key] = _Held(found.start_us, found.mean, start_us, step_us)
        return at_middles(found.start_us, found.mean, step_us, end_us - 1)
    again_us = max(int(known.start_us[-1]) if len(known.start_us) else start_us, start_us)
    again_us = max(again_us - OVERLAP_US, start_us) // step_us * step_us
    found = store.aggregate(key, again_us, end_us, step_us, wanted=MEAN_ALONE)
    old = slice(*np.searchsorted(known.start_us, (start_us // step_us * step_us, again_us)))
    known.start_us = np.concatenate((known.start_us[old], found.start_us))
    known.mean = np.concatenate((known.mean[old], found.mean))
    known.from_us = start_us
    return at_middles(known.start_us, known.mean, step_us, end_us - 1)
