"""What a view is derived from, loaded from registry and store."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.inputs import LIGHT_QUANTITIES, Material
from service.derive.models import Array
from service.derive.sensor_choice import US_PER_MINUTE, Believed, believed, usable
from service.derive.thresholds import STALE_NAME, derived_limit
from service.registry.models import LogEntry, LogKind, Tank
from service.registry.registry import Registry
from service.store.interface import Store
from service.store.model import MEAN_ALONE, Reading, Samples, SeriesInfo, SeriesKey
from service.times import to_us

VIEW_DAYS: Final = 8
LOG_DAYS: Final = 120
"""Entries so far back are in a view; older ones only where none of their kind is newer."""

LIGHT_STEP_US: Final = US_PER_MINUTE
WATER_STEP_US: Final = 5 * US_PER_MINUTE
"""Means over these steps feed a view: light switches within minutes, water does not."""

ALWAYS_KINDS: Final = (LogKind.KH_TEST, LogKind.CALIBRATION, LogKind.WATER_CHANGE)


Means = Callable[[SeriesKey, int, int, int], Samples]
"""Means of a series from a start to an end over steps, all in microseconds."""


def material_of(
    tank: Tank,
    registry: Registry,
    store: Store,
    now: datetime,
    *,
    days: int = VIEW_DAYS,
    reader: Means | None = None,
) -> Material:
    """Load what a view is derived from; parameters and errors as ``build.view_of``.

    Args:
        reader: reads the means of a series; None: from the store.
    """
    if reader is None:
        reader = partial(means_of, store)
    loaded = latest_of(tank, registry, store, now)
    end_us = to_us(now) + 1
    start_us = to_us(now - timedelta(days=days))
    samples: dict[str, Samples] = {}
    for quantity, chosen in loaded.chosen.items():
        if chosen.info is None:
            continue
        step_us = LIGHT_STEP_US if quantity in LIGHT_QUANTITIES else WATER_STEP_US
        samples[quantity] = reader(chosen.info.key, start_us, end_us, step_us)
    return replace(loaded, days=days, samples=samples)


def log_of(tank: Tank, registry: Registry, start: datetime, end: datetime) -> tuple[LogEntry, ...]:
    """The entries of the months before ``start`` up to ``end``, newest first.

    Of the kinds that stay in force (KH test, calibration, water change) the newest one before
    that is included where there is none within.
    """
    first = start - timedelta(days=LOG_DAYS)
    found = registry.log_in_force(tank.id, first, ALWAYS_KINDS)
    entries = [entry for entry in found if first <= entry.time <= end]
    seen = {entry.kind for entry in entries}
    for entry in found:
        if entry.time < first and entry.kind in ALWAYS_KINDS and entry.kind not in seen:
            entries.append(entry)
            seen.add(entry.kind)
    return tuple(entries)


def means_of(store: Store, key: SeriesKey, start_us: int, end_us: int, step_us: int) -> Samples:
    """Means of a series over spans."""
    found = store.aggregate(key, start_us, end_us, step_us, wanted=MEAN_ALONE)
    return at_middles(found.start_us, found.mean, step_us, end_us - 1)


def at_middles(
    start_us: npt.NDArray[np.int64], mean: Array, step_us: int, latest_us: int
) -> Samples:
    """The means of spans as samples at the middle of each, none later than ``latest_us``."""
    middle = np.minimum(start_us + step_us // 2, latest_us)
    return Samples(middle, mean, np.zeros(len(mean), np.int32))


def latest_of(tank: Tank, registry: Registry, store: Store, now: datetime) -> Material:
    """The material with the newest readings only."""
    infos = tuple(store.series(tank.id))
    chosen = {
        quantity: choose(tank, quantity, infos, now)
        for quantity in sorted({info.key.quantity for info in infos})
    }
    latest = {
        quantity: reading
        for quantity, one in chosen.items()
        if (reading := latest_reading(store, one)) is not None
    }
    return Material(
        tank=tank,
        now=now,
        days=0,
        log=log_of(tank, registry, now, now),
        infos=infos,
        chosen=chosen,
        latest=latest,
        paired_temperature=_nearest(
            tank, store, chosen.get("temperature"), latest.get("temperature"), latest.get("ph")
        ),
    )


def choose(tank: Tank, quantity: str, infos: Iterable[SeriesInfo], now: datetime) -> Believed:
    stale_name = STALE_NAME.get(quantity, "stale_temperature_min")
    return believed(tank, quantity, infos, now, derived_limit(tank, stale_name))


def latest_reading(store: Store, chosen: Believed) -> Reading | None:
    if chosen.info is None:
        return None
    return chosen.info.last if usable(chosen.info.last) else store.latest(chosen.info.key)


def _nearest(
    tank: Tank,
    store: Store,
    chosen: Believed | None,
    latest: Reading | None,
    ph: Reading | None,
) -> Reading | None:
    """The temperature reading nearest in time to the pH reading, within the tank's gap."""
    if chosen is None or chosen.info is None or ph is None or latest is None:
        return latest
    if latest.time_us <= ph.time_us:
        return latest
    gap_us = int(derived_limit(tank, "pair_gap_min") * US_PER_MINUTE)
    for reach_us in (10 * US_PER_MINUTE, gap_us):
        around = store.read(chosen.info.key, ph.time_us - reach_us, ph.time_us + reach_us + 1)
        if len(around):
            at = int(np.argmin(np.abs(around.time_us - ph.time_us)))
            key = chosen.info.key
            value = float(around.value[at])
            return Reading(key.tank, key.quantity, key.sensor, int(around.time_us[at]), value)
    return latest


def samples_of(
    store: Store, chosen: Believed, span: tuple[int, int], every_us: int | None
) -> Samples:
    if chosen.info is None:
        return Samples.empty()
    key: SeriesKey = chosen.info.key
    if every_us is None:
        return store.read(key, *span)
    return means_of(store, key, *span, every_us)
