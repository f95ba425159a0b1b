"""How far a pH probe may have drifted since it was last calibrated."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import numpy.typing as npt

from service.derive.models import Array
from service.derive.sensor_choice import US_PER_MINUTE
from service.derive.thresholds import derived_limit
from service.registry.models import LogEntry, LogKind, Tank
from service.times import to_us

DAYS_PER_MONTH = 30.0
NEVER_CALIBRATED_MONTHS = 2.0
"""An electrode without a calibration in the log is taken to be this old in its drift."""


def calibration_age_days(log: Sequence[LogEntry], quantity: str, now: datetime) -> float | None:
    """Days since the newest calibration of a quantity's sensor in the log; None if there is none.

    An entry that names no quantity counts for pH, the probe that people calibrate.
    """
    times = [
        entry.time
        for entry in log
        if entry.kind == LogKind.CALIBRATION
        and entry.data.get("quantity", "ph") == quantity
        and entry.time <= now
    ]
    return (now - max(times)).total_seconds() / 86_400 if times else None


def calibration_sd_ph(tank: Tank, age_days: float | None) -> float:
    """Standard deviation of the electrode's calibration at its age, pH."""
    months = NEVER_CALIBRATED_MONTHS if age_days is None else age_days / DAYS_PER_MONTH
    drift = derived_limit(tank, "ph_drift_per_month") * months
    return float(np.hypot(derived_limit(tank, "ph_calibration_sd"), drift))


def calibration_sd_at(tank: Tank, log: Sequence[LogEntry], time_us: npt.NDArray[np.int64]) -> Array:
    """Standard deviation of the electrode's calibration at each moment, pH."""
    calibrated = np.array(
        sorted(
            to_us(entry.time)
            for entry in log
            if entry.kind == LogKind.CALIBRATION and entry.data.get("quantity", "ph") == "ph"
        ),
        dtype=np.int64,
    )
    months = np.full(time_us.shape, NEVER_CALIBRATED_MONTHS)
    if calibrated.size:
        index = np.searchsorted(calibrated, time_us, side="right") - 1
        age_us = time_us - calibrated[np.maximum(index, 0)]
        known = index >= 0
        months[known] = age_us[known] / (US_PER_MINUTE * 1440 * DAYS_PER_MONTH)
    drift = derived_limit(tank, "ph_drift_per_month") * months
    return np.asarray(np.hypot(derived_limit(tank, "ph_calibration_sd"), drift))
