"""How far a pH probe may have drifted since it was calibrated, by its age and its own history."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from service.derive.models.co2 import Array
from service.derive.thresholds import derived_limit
from service.errors import InvalidInputError
from service.registry.log.calibration import (
    DEFAULT_TEMPERATURE_C,
    Calibration,
    read_calibration,
)
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.science.sensors.ph_electrode import (
    DRIFT_PH_PER_30_DAYS,
    FRESH_SD_PH,
    calibration_sd_ph,
)
from service.science.sensors.recalibration import drift_from_gaps
from service.times import to_us

NEVER_CALIBRATED_DAYS: Final = 60.0
"""An electrode without a calibration in the log is taken to be this old in its drift."""

LEAST_DAYS: Final = 1.0
"""Two calibrations nearer in time are one that was repeated. Our choice."""

OPERATING_PH: Final = 7.0
"""Where two calibrations are compared that have no buffers: near the water of a tank."""

US_PER_DAY: Final = 86_400e6


@dataclass(frozen=True, slots=True)
class ProbeDoubt:
    """Something that contradicts a pH probe.

    Attributes:
        reason: a sentence.
        sd_ph: what that adds to the standard deviation of pH.
    """

    reason: str
    sd_ph: float


@dataclass(frozen=True, slots=True)
class ProbeHistory:
    """The calibrations of a pH probe in the log, and what they say of its drift.

    Attributes:
        calibrated_us: when it was calibrated, oldest first.
        drift_ph_per_30_days: standard deviation of its drift in 30 days.
        fresh_sd_ph: standard deviation of a fresh calibration.
        recalibrations: so many found by how much it was off; they are part of the drift.
    """

    calibrated_us: tuple[int, ...] = ()
    drift_ph_per_30_days: float = DRIFT_PH_PER_30_DAYS
    fresh_sd_ph: float = FRESH_SD_PH
    recalibrations: int = 0

    def age_days(self, now: datetime) -> float | None:
        """Days since the newest calibration; None if there is none."""
        now_us = to_us(now)
        before = bisect_right(self.calibrated_us, now_us)
        return (now_us - self.calibrated_us[before - 1]) / US_PER_DAY if before else None

    def sd_ph(self, time_us: npt.NDArray[np.int64]) -> Array:
        """Standard deviation of the calibration in force at each moment (sorted), pH."""
        days = np.full(time_us.shape, NEVER_CALIBRATED_DAYS)
        edges = [*np.searchsorted(time_us, self.calibrated_us).tolist(), len(time_us)]
        for (begin, end), calibrated_us in zip(pairwise(edges), self.calibrated_us, strict=True):
            if begin < end:
                days[begin:end] = (time_us[begin:end] - calibrated_us) / US_PER_DAY
        return self._sd_ph(days)

    def sd_ph_at(self, now: datetime) -> float:
        """Standard deviation of the calibration in force at one moment, pH."""
        days = self.age_days(now)
        return float(self._sd_ph(NEVER_CALIBRATED_DAYS if days is None else days))

    def _sd_ph(self, days: Array | float) -> Array:
        return calibration_sd_ph(
            days,
            fresh_sd_ph=self.fresh_sd_ph,
            drift_ph_per_30_days=self.drift_ph_per_30_days,
        )


def probe_history(tank: Tank, log: Sequence[LogEntry], sensor: str | None = None) -> ProbeHistory:
    """The history of a pH probe.

    Args:
        log: newest first. One that names no quantity counts for pH, the probe that people
            calibrate, and one that names no sensor for any.
        sensor: None for any.
    """
    mine = oldest_first(
        one for one in log if one.kind == LogKind.CALIBRATION and _is_of(one, sensor)
    )
    fresh = derived_limit(tank, "ph_calibration_sd")
    drift = derived_limit(tank, "ph_drift_per_month")
    gaps = list(_gaps(mine))
    if gaps and "ph_drift_per_month" not in tank.thresholds:
        days, off = zip(*gaps, strict=True)
        drift = drift_from_gaps(days, off, prior_ph_per_30_days=drift, fresh_sd_ph=fresh)
    times = tuple(to_us(one.time) for one in mine)
    return ProbeHistory(times, drift, fresh, len(gaps))


def _is_of(entry: LogEntry, sensor: str | None) -> bool:
    """Whether a calibration is one of a pH probe."""
    if entry.data.get("quantity", "ph") != "ph":
        return False
    named = entry.data.get("sensor")
    return sensor is None or named is None or str(named).lower() == sensor


def _gaps(entries: Sequence[LogEntry]) -> Iterator[tuple[float, float]]:
    """Days between calibrations that follow each other, and how far the probe was off by then."""
    before: tuple[int, Calibration] | None = None
    for entry in entries:
        time_us = to_us(entry.time)
        try:
            found = read_calibration(entry.data, time_us)[2]
        except InvalidInputError:  # written before entries were checked; the ingester logs it
            continue
        if not {"points", "offset", "factor"} & entry.data.keys():
            before = None  # the device was set itself: nobody knows what it was before
            continue
        if before is not None and before[1].raw == found.raw:
            days = (time_us - before[0]) / US_PER_DAY
            if days >= LEAST_DAYS:
                yield days, _gap_ph(before[1], found, entry.data)
        before = time_us, found


def _gap_ph(before: Calibration, after: Calibration, data: Mapping[str, Any]) -> float:
    """What the probe read too high, by the calibration before, in the buffers of this one."""
    numbers: list[tuple[float, float | None]] = [(OPERATING_PH, None)]
    if "points" in data:
        key = "millivolts" if after.raw == "mV" else "reading"
        numbers = [
            (float(one[key]), float(one.get("temperature_c", DEFAULT_TEMPERATURE_C)))
            for one in data["points"]
        ]
    return float(np.mean([before.curve(*one) - after.curve(*one) for one in numbers]))
