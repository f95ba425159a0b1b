"""Loads what values are derived from: a tank's log and series, from registry and store.

``load`` serves a moment and the days before it (in two steps where several stretches of days are
needed: ``load_newest``, ``with_days``), ``load_span`` a stretch of time, ``load_day`` a
local day and ``load_range_exits`` the times outside the animals' temperature range. All give
``Inputs``; how much is read of each series is up to a ``Reader``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np

from service.derive.inhabitants.tolerance import Tolerance
from service.derive.inputs import Inputs
from service.derive.local_time import local_midnight
from service.derive.log_in_force import LogSource, log_in_force
from service.derive.newest import newest_inputs
from service.derive.series_reading import WATER_STEP_US, Reader, means
from service.derive.thresholds import derived_limit
from service.derive.without_probes_out import recent_ph, without_probes_out
from service.registry.models.tank import Tank
from service.registry.species.ranges import SharedRange
from service.science.temperature.forecast import WINDOW_S
from service.store.interface import ReadableStore
from service.store.model import Samples, SeriesInfo, SeriesKey
from service.store.range_exits import read_outside
from service.times import to_us

VIEW_DAYS: Final = 8
"""Days before the present that rules and pages see."""

CO2_QUANTITIES: Final = ("ph", "temperature", "conductivity")


def load(
    tank: Tank,
    registry: LogSource,
    store: ReadableStore,
    now: datetime,
    *,
    days: float = VIEW_DAYS,
    reader: Reader | None = None,
    quantities: Collection[str] | None = None,
    stored: Sequence[SeriesInfo] | None = None,
) -> Inputs:
    """Load the present and the days before it.

    Args:
        days: length of the stretch that is read; 0 for the newest readings alone.
        reader: how the series are read; None for the means that rules and pages see.
        quantities: these only; None for all.
        stored: the series that the store holds of the tank; None to ask it.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
        NotFoundError: the tank is not in the registry.
    """
    newest = load_newest(tank, registry, store, now, quantities=quantities, stored=stored)
    if not days:
        return without_probes_out(newest, recent_ph(newest, store))
    return with_days(newest, days, reader or means(store))


def load_newest(
    tank: Tank,
    registry: LogSource,
    store: ReadableStore,
    now: datetime,
    *,
    quantities: Collection[str] | None = None,
    stored: Sequence[SeriesInfo] | None = None,
) -> Inputs:
    """Load what the inputs of all days before a moment have in common; as ``load``.

    What was read while a probe was out of the tank is not left out yet: ``with_days`` does.
    """
    log = log_in_force(tank, registry, now, now)
    found = newest_inputs(tank, log, registry, store, now, now, quantities, stored)
    return replace(found, clocks=tuple(registry.device_clocks(tank.id)))


def with_days(newest: Inputs, days: float, reader: Reader) -> Inputs:
    """The inputs of some days before the present, of what ``load_newest`` gave.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the reader finds.
    """
    inputs = replace(newest, start=newest.now - timedelta(days=days))
    return _with_samples(inputs, reader, to_us(newest.now) + 1)


def load_temperature(
    tank: Tank, registry: LogSource, store: ReadableStore, now: datetime
) -> Inputs:
    """Load what rate and forecast of temperature need; errors as ``load``.

    Every reading of the last hours, and means of the days before.
    """
    start = now - timedelta(days=VIEW_DAYS)
    log = log_in_force(tank, registry, now, now)
    found = newest_inputs(tank, log, registry, store, start, now, ("temperature",))
    recent_us = to_us(now - timedelta(seconds=WINDOW_S)) // WATER_STEP_US * WATER_STEP_US

    def reader(key: SeriesKey, start_us: int, end_us: int) -> Samples:
        before = means(store)(key, start_us, recent_us)
        after = store.read(key, recent_us, end_us)
        pairs = ((before.time_us, after.time_us), (before.value, after.value))
        flags = np.concatenate((before.flags, after.flags))
        return Samples(np.concatenate(pairs[0]), np.concatenate(pairs[1]), flags)

    return _with_samples(found, reader, to_us(now) + 1)


def load_span(
    tank: Tank,
    registry: LogSource,
    store: ReadableStore,
    start: datetime,
    end: datetime,
    *,
    quantities: Collection[str],
    step_us: int | None = None,
) -> Inputs:
    """Load a stretch of time; errors as ``load``.

    Args:
        start, end: half open; ``end`` is the ``now`` of what is loaded.
        step_us: means over this step; None for every reading.
    """
    log = log_in_force(tank, registry, start, end)
    found = newest_inputs(tank, log, registry, store, start, end, quantities)
    reader = store.read if step_us is None else means(store, step_us)
    return _with_samples(found, reader, to_us(end))


def load_day(
    tank: Tank, registry: LogSource, store: ReadableStore, day: date, now: datetime
) -> Inputs:
    """Load a local day with the days before it, and enough after it to see the light go off.

    Its ``now`` is noon of the day after, or the present if that is earlier; errors as ``load``.
    """
    noon = local_midnight(tank, day + timedelta(days=1)) + timedelta(hours=12)
    return load(tank, registry, store, min(now, noon))


def load_range_exits(
    tank: Tank,
    registry: LogSource,
    store: ReadableStore,
    start: datetime,
    end: datetime,
    limits_of: Callable[[Tolerance], SharedRange],
) -> Inputs:
    """Load the readings of temperature around the times outside one of the animals' ranges.

    Excursions come out of them as out of every reading; parameters and errors as ``load_span``.

    Args:
        limits_of: which of them.
    """
    log = log_in_force(tank, registry, start, end)
    found = newest_inputs(tank, log, registry, store, start, end, ("temperature",))
    limits = limits_of(found.tolerance)

    def reader(key: SeriesKey, start_us: int, end_us: int) -> Samples:
        return read_outside(
            store,
            key,
            start_us,
            end_us,
            low=limits.low_c,
            high=limits.high_c,
            band=derived_limit(tank, "excursion_hysteresis_c"),
        )

    return _with_samples(found, reader, to_us(end))


def _with_samples(inputs: Inputs, reader: Reader, end_us: int) -> Inputs:
    start_us = to_us(inputs.start)
    samples = {
        quantity: reader(one.info.key, start_us, end_us)
        for quantity, one in inputs.chosen.items()
        if one.info is not None
    }
    return without_probes_out(replace(inputs, samples=samples), samples)
