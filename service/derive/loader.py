"""Loads what is derived of a tank from registry and store: the only place of this room with I/O.

``load`` serves a moment and the days before it, ``load_span`` a stretch of time, ``load_day`` a
local day and ``load_range_exits`` the times outside the animals' temperature range. All give
``Inputs``; how much is read of each series is up to a ``Reader``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from service.derive.inhabitants.tolerance import Tolerance
from service.derive.inputs import Inputs
from service.derive.light.source import LIGHT_QUANTITIES
from service.derive.local_time import local_midnight
from service.derive.models.co2 import Array
from service.derive.sensors.choice import (
    US_PER_MINUTE,
    ChosenSeries,
    chosen_series,
    considered,
    usable,
)
from service.derive.sensors.first import first_sensors
from service.derive.sensors.probe_out import (
    ProbeOut,
    may_have_jumped,
    probe_out_spans,
    samples_without,
)
from service.derive.sensors.slips import slips
from service.derive.thresholds import derived_limit
from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.registry.species.ranges import SharedRange
from service.science.temperature.forecast import WINDOW_S
from service.store.interface import ReadableStore
from service.store.model import MEAN_ALONE, Reading, Samples, SeriesInfo, SeriesKey
from service.store.range_exits import read_outside
from service.times import to_us

VIEW_DAYS: Final = 8
"""Days before the present that rules and pages see."""

LOG_DAYS: Final = 120
"""Log entries of so many days count; older ones only where none of their kind is newer."""

ALWAYS_KINDS: Final = (
    LogKind.KH_TEST,
    LogKind.CALIBRATION,
    LogKind.WATER_CHANGE,
    LogKind.CYLINDER,
)

CO2_QUANTITIES: Final = ("ph", "temperature", "conductivity")

JUMPS_SEEN: Final = timedelta(days=1)
"""A probe that has been out for longer is seen where the days before are loaded. Our choice."""

HOUR_US: Final = 60 * US_PER_MINUTE
LIGHT_STEP_US: Final = US_PER_MINUTE
WATER_STEP_US: Final = 5 * US_PER_MINUTE
"""Means over these steps are read: light switches within minutes, water does not."""

Reader = Callable[[SeriesKey, int, int], Samples]
"""Reads a series from a start to an end, microseconds, half open."""


class LogSource(Protocol):
    """What of the registry is needed."""

    def log_in_force(
        self, tank: str, since: datetime, lasting: Collection[LogKind]
    ) -> Sequence[LogEntry]:
        """The entries since a moment, and the newest earlier one of kinds that last."""
        ...

    def device_clocks(self, tank: str) -> Sequence[DeviceClock]:
        """The clocks of its devices that are off by a known constant."""
        ...

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """Quantity -> the sensor that was there first, as far as it is written down."""
        ...


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
    log = log_in_force(tank, registry, now, now)
    start = now - timedelta(days=days)
    found = _newest(tank, log, registry, store, start, now, quantities, stored)
    found = replace(found, clocks=tuple(registry.device_clocks(tank.id)))
    if not days:
        return _without_probes_out(found, _recent_ph(found, store))
    return _with_samples(found, reader or means(store), to_us(now) + 1)


def load_temperature(
    tank: Tank, registry: LogSource, store: ReadableStore, now: datetime
) -> Inputs:
    """Load what rate and forecast of temperature need; errors as ``load``.

    Every reading of the last hours, and means of the days before.
    """
    start = now - timedelta(days=VIEW_DAYS)
    log = log_in_force(tank, registry, now, now)
    found = _newest(tank, log, registry, store, start, now, ("temperature",))
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
    found = _newest(tank, log, registry, store, start, end, quantities)
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
    found = _newest(tank, log, registry, store, start, end, ("temperature",))
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


def means(store: ReadableStore, step_us: int | None = None) -> Reader:
    """A reader of means; ``step_us`` None for the step of each quantity."""

    def read(key: SeriesKey, start_us: int, end_us: int) -> Samples:
        step = step_us or step_of(key.quantity)
        found = store.aggregate(key, start_us, end_us, step, wanted=MEAN_ALONE)
        return as_samples(found.start_us, found.mean, step, end_us)

    return read


def step_of(quantity: str) -> int:
    """Length of the spans that a quantity is averaged over, microseconds."""
    return LIGHT_STEP_US if quantity in LIGHT_QUANTITIES else WATER_STEP_US


def as_samples(start_us: npt.NDArray[np.int64], mean: Array, step_us: int, end_us: int) -> Samples:
    """The means of spans as samples at the middle of each, all before ``end_us``."""
    middle = np.minimum(start_us + step_us // 2, end_us - 1)
    return Samples(middle, mean, np.zeros(len(mean), np.int32))


def log_in_force(
    tank: Tank, registry: LogSource, start: datetime, end: datetime
) -> tuple[LogEntry, ...]:
    """The entries of the months before ``start`` up to ``end``, newest first.

    Of the kinds that stay in force (``ALWAYS_KINDS``) the newest one before that is included where
    there is none within.
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


def _newest(
    tank: Tank,
    log: tuple[LogEntry, ...],
    registry: LogSource,
    store: ReadableStore,
    start: datetime,
    now: datetime,
    quantities: Collection[str] | None = None,
    stored: Sequence[SeriesInfo] | None = None,
) -> Inputs:
    """The inputs with the newest readings alone, of some quantities or all."""
    stored = store.series(tank.id) if stored is None else stored
    infos = considered(tank, stored)
    single = slips(store, infos, now)
    first = first_sensors(tank, registry, store, infos)
    chosen = {
        quantity: chosen_series(tank, quantity, infos, now, single, first)
        for quantity in sorted({info.key.quantity for info in infos})
        if quantities is None or quantity in quantities
    }
    latest = {
        quantity: reading
        for quantity, one in chosen.items()
        if one.info is not None and (reading := _latest(store, one.info)) is not None
    }
    return Inputs(
        tank=tank,
        now=now,
        start=start,
        log=log,
        infos=infos,
        left_out=len(stored) - len(infos),
        slips=single,
        chosen=chosen,
        first_sensors=first,
        latest=latest,
        paired_temperature=_nearest(
            tank, store, chosen.get("temperature"), latest.get("temperature"), latest.get("ph")
        ),
    )


def _with_samples(inputs: Inputs, reader: Reader, end_us: int) -> Inputs:
    start_us = to_us(inputs.start)
    samples = {
        quantity: reader(one.info.key, start_us, end_us)
        for quantity, one in inputs.chosen.items()
        if one.info is not None
    }
    return _without_probes_out(replace(inputs, samples=samples), samples)


def _recent_ph(inputs: Inputs, store: ReadableStore) -> dict[str, Samples]:
    """The pH of the last day, in which a probe that is out of the tank shows; none without jump."""
    chosen = inputs.chosen.get("ph")
    if chosen is None or chosen.info is None:
        return {}
    end_us = to_us(inputs.now) + 1
    start_us = to_us(inputs.now - JUMPS_SEEN)
    # A day has 24 hours and 288 means: most often the few tell that no jump is among the many.
    hours = store.aggregate(chosen.info.key, start_us, end_us, HOUR_US, wanted=("min", "max"))
    if not may_have_jumped(hours.min, hours.max):
        return {}
    return {"ph": means(store)(chosen.info.key, start_us, end_us)}


def _without_probes_out(inputs: Inputs, seen: Mapping[str, Samples]) -> Inputs:
    """The inputs without what was read while a probe was out of the tank.

    Args:
        seen: samples in which a jump shows.
    """
    spans = {
        quantity: probe_out_spans(
            one.info.key, seen.get(quantity) or Samples.empty(), inputs.log, to_us(inputs.now)
        )
        for quantity, one in inputs.chosen.items()
        if one.info is not None
    }
    others = _others_out(inputs)
    if not any(spans.values()) and not others:
        return inputs
    return replace(
        inputs,
        samples={
            quantity: samples_without(samples, spans.get(quantity, ()))
            for quantity, samples in inputs.samples.items()
        },
        latest={
            quantity: reading
            for quantity, reading in inputs.latest.items()
            if not any(one.holds(reading.time_us) for one in spans.get(quantity, ()))
        },
        probes_out=(*(one for of_quantity in spans.values() for one in of_quantity), *others),
    )


def _others_out(inputs: Inputs) -> tuple[ProbeOut, ...]:
    """The spans that the log marks of series that are not chosen."""
    if not any(one.kind == LogKind.PROBE_OUT for one in inputs.log):
        return ()
    chosen = {one.info.key for one in inputs.chosen.values() if one.info is not None}
    nothing, now_us = Samples.empty(), to_us(inputs.now)
    return tuple(
        span
        for info in inputs.infos
        if info.key not in chosen
        for span in probe_out_spans(info.key, nothing, inputs.log, now_us)
    )


def _latest(store: ReadableStore, info: SeriesInfo) -> Reading | None:
    """The newest usable reading of a series."""
    return info.last if usable(info.last) else store.latest(info.key)


def _nearest(
    tank: Tank,
    store: ReadableStore,
    chosen: ChosenSeries | None,
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
