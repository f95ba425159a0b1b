"""Which series of a tank count, and the newest reading of each."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

import numpy as np

from service.derive.inputs import Inputs
from service.derive.log_in_force import LogSource
from service.derive.sensors.choice import (
    US_PER_MINUTE,
    ChosenSeries,
    chosen_series,
    considered,
    usable,
)
from service.derive.sensors.first import first_sensors
from service.derive.sensors.slips import slips
from service.derive.thresholds import derived_limit
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.store.interface import ReadableStore
from service.store.model import Reading, SeriesInfo


def newest_inputs(
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
