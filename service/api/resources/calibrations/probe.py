"""What a pH sensor sends now, before calibration, and whether it has settled."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from ingest.process import Calibrations
from service.api.context import Context
from service.derive.calculations.two_buffers import MILLIVOLTS
from service.registry.models.log import LogKind
from service.science.sensors.ph_electrode import nernst_mv_per_ph
from service.science.sensors.steadiness import (
    STEADY_PH_PER_MIN,
    STEADY_SPREAD_PH,
    Steadiness,
    steadiness,
)
from service.store import SeriesKey
from service.times import to_us

LOOK_BACK: Final = timedelta(minutes=30)
"""Older readings say nothing of a probe in a buffer. Our choice."""
_ROOM_C: Final = 25.0
_PH_AT_MOST: Final = 3.0
"""A calibration moves pH by less; a raw number further from its pH is in millivolts."""


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """A pH sensor's numbers since a moment.

    Attributes:
        scale: ``mV``, or None where it sends pH.
        last: the newest number; None: there is none.
        last_us: its time.
        steadiness: by the numbers, in their scale.
    """

    scale: str | None
    last: float | None
    last_us: int | None
    steadiness: Steadiness


def probe_now(context: Context, tank: str, sensor: str, since: datetime) -> ProbeNow:
    """The numbers of a pH sensor since a moment, and whether it has settled.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    now = context.clock.now()
    start = max(since, now - LOOK_BACK)
    key = SeriesKey(tank, "ph", sensor)
    samples = context.store.read(key, to_us(start), to_us(now) + 1, flagged=True, raw=True)
    assert samples.raw is not None
    numbers = np.where(np.isnan(samples.raw), samples.value, samples.raw)
    entries = context.registry.log(tank, kinds=[LogKind.CALIBRATION])
    scale = Calibrations(entries).raw_scale((tank, "ph", sensor))
    has_raw = ~np.isnan(samples.raw)
    if bool(np.any(np.abs(samples.raw - samples.value)[has_raw] > _PH_AT_MOST)):
        scale = MILLIVOLTS
    elif not bool(np.any(has_raw)):
        scale = None
    per_ph = float(nernst_mv_per_ph(_ROOM_C)) if scale == MILLIVOLTS else 1.0
    found = steadiness(
        samples.time_s,
        numbers,
        most_per_min=STEADY_PH_PER_MIN * per_ph,
        most_spread=STEADY_SPREAD_PH * per_ph,
    )
    if not len(samples):
        return ProbeNow(scale, None, None, found)
    return ProbeNow(scale, float(numbers[-1]), int(samples.time_us[-1]), found)
