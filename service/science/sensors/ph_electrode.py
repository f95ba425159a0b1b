"""pH electrode: calibration from buffers, pH from millivolts, verdict on the electrode.

    E = offset - slope * N(t) * (pH - 7),      N(t) = ln(10) R T / F

N is the Nernst slope, 59.159 mV/pH at 25 °C; a real electrode reaches 85-102 % of it. The
isopotential point is taken at pH 7 (common practice for combination electrodes), so temperature
turns the line about the offset. Temperature compensation corrects the electrode only; the
water's own pH moves with temperature, and that is not to be corrected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import (
    CELSIUS_ZERO_K,
    FARADAY_C_MOL,
    GAS_CONSTANT_J_MOL_K,
    LN10,
)
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, as_number
from service.science.sensors.buffers import Buffer

ISOPOTENTIAL_PH: Final = 7.0
ELECTRODE_RANGE_C: Final = (0.0, 60.0)

# Verdict on an electrode. Common practice, no source.
GOOD_SLOPE_PERCENT: Final = (95.0, 103.0)
USABLE_SLOPE_PERCENT: Final = (85.0, 105.0)
GOOD_OFFSET_MV: Final = 15.0
USABLE_OFFSET_MV: Final = 30.0
GOOD_RESIDUAL_PH: Final = 0.05

CALIBRATION_DUE_DAYS: Final = 21.0
"""After this an electrode is to be calibrated again. Our choice: before it is out of date."""
CALIBRATION_VALID_DAYS: Final = 30.0
"""A calibration older than this is out of date. Common practice, no source."""
FRESH_SD_PH: Final = 0.025
"""Fresh two-point calibration in 0.02-pH buffers. Common practice, no source."""
DRIFT_PH_PER_30_DAYS: Final = 0.09
"""Standard deviation of what a submerged electrode drifts in 30 days. 45 recalibrations of a sonde
in a river, 2014 to 2019 (data of A. S. Jones et al., Environ. Model. Softw. (2022) 105364,
doi:10.1016/j.envsoft.2022.105364): with it 95 % intervals held 95 % of the time."""

SECONDS_PER_DAY: Final = 86400.0
DRIFT_DAYS: Final = 30.0

State = Literal["good", "ageing", "replace"]


@dataclass(frozen=True)
class CalibrationPoint:
    """One buffer read by the electrode: ``buffer``, ``millivolts``, ``temperature_c``."""

    buffer: Buffer
    millivolts: float
    temperature_c: float


@dataclass(frozen=True)
class Calibration:
    """An electrode's line.

    ``offset_mv`` at pH 7; ``slope`` as share of Nernst; ``residual_ph`` worst distance of a buffer
    from the line (0 with two buffers); ``calibrated_s`` unix seconds UTC, None if unknown.
    """

    offset_mv: float
    slope: float
    residual_ph: float = 0.0
    calibrated_s: float | None = None

    @property
    def slope_percent(self) -> float:
        """Slope in percent of Nernst."""
        return 100.0 * self.slope


@dataclass(frozen=True)
class Verdict:
    """State of an electrode and the reasons, each a sentence."""

    state: State
    reasons: tuple[str, ...]


def nernst_mv_per_ph(temperature_c: ArrayLike) -> Floats:
    """Nernst slope, mV per pH unit, at 0-60 °C (any shape)."""
    low, high = ELECTRODE_RANGE_C
    celsius = as_floats("temperature_c", temperature_c, low=low, high=high, unit="°C")
    per_kelvin = LN10 * GAS_CONSTANT_J_MOL_K / FARADAY_C_MOL * 1e3
    return np.asarray(per_kelvin * (celsius + CELSIUS_ZERO_K))


def calibrate(
    points: Sequence[CalibrationPoint], *, calibrated_s: float | None = None
) -> Calibration:
    """Offset and slope from two or more buffers, each at its own temperature.
    Two buffers give the line exactly, more by least squares.

    Raises
    ------
    OutOfRangeError: fewer than two buffers, for buffers less than 1 pH apart, and for a line
    that falls the wrong way.
    """
    if len(points) < 2:
        raise OutOfRangeError("points", len(points), "2 or more buffers")
    ph = np.array([float(point.buffer.ph_at(point.temperature_c)) for point in points])
    if np.ptp(ph) < 1.0:
        given = f"buffers {np.ptp(ph):.2f} pH apart"
        raise OutOfRangeError("points", given, "buffers 1 pH or more apart")
    millivolts = np.array(
        [
            as_number("millivolts", point.millivolts, low=-2000.0, high=2000.0, unit="mV")
            for point in points
        ]
    )
    nernst = nernst_mv_per_ph([point.temperature_c for point in points])
    ideal = -nernst * (ph - ISOPOTENTIAL_PH)
    slope, offset = (float(number) for number in np.polyfit(ideal, millivolts, 1))
    if slope <= 0.05:
        raise OutOfRangeError(
            "points",
            f"a slope of {100 * slope:.0f} % of Nernst",
            "a slope above 5 %; buffers swapped, poles reversed or electrode broken",
        )
    residual = np.max(np.abs((millivolts - offset - slope * ideal) / (slope * nernst)))
    worst = float(residual) if len(points) > 2 else 0.0
    return Calibration(offset, slope, worst, calibrated_s)


def ph_from_millivolts(
    millivolts: ArrayLike, temperature_c: ArrayLike, calibration: Calibration
) -> Floats:
    """pH from an electrode's millivolts (shapes broadcast), compensated for temperature."""
    reading = as_floats("millivolts", millivolts, low=-2000.0, high=2000.0, unit="mV")
    per_ph = calibration.slope * nernst_mv_per_ph(temperature_c)
    return np.asarray(ISOPOTENTIAL_PH - (reading - calibration.offset_mv) / per_ph)


def millivolts_from_volts(
    volts: ArrayLike, *, gain: float = 1.0, zero_volts: float = 0.0
) -> Floats:
    """Electrode millivolts from an amplifier's output (any shape).

    Parameters
    ----------
    volts: measured.
    gain: of the amplifier, not 0 (negative if it inverts).
    zero_volts: output for 0 mV.

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    factor = as_number("gain", gain)
    if factor == 0.0:
        raise OutOfRangeError("gain", factor, "any number but 0")
    zero = as_number("zero_volts", zero_volts, unit="V")
    return np.asarray((as_floats("volts", volts, unit="V") - zero) * 1e3 / factor)


def electrode_verdict(calibration: Calibration, *, now_s: float | None = None) -> Verdict:
    """Judge an electrode by slope, offset, straightness and the age of its calibration.

    Parameters
    ----------
    now_s: unix seconds UTC, to judge the age where ``calibrated_s`` is known.

    Returns
    -------
    Verdict; an overdue calibration is a reason but no fault of the electrode.
    """
    slope, offset = calibration.slope_percent, calibration.offset_mv
    state: State = "good"
    reasons = []
    good = f"{GOOD_SLOPE_PERCENT[0]:g}-{GOOD_SLOPE_PERCENT[1]:g}"
    if not GOOD_SLOPE_PERCENT[0] <= slope <= GOOD_SLOPE_PERCENT[1]:
        state = "ageing"
        reasons.append(f"slope {slope:.1f} % of Nernst; a good electrode has {good} %")
    if abs(offset) > GOOD_OFFSET_MV:
        state = "ageing"
        reasons.append(
            f"offset {offset:+.1f} mV at pH 7; a good electrode has at most {GOOD_OFFSET_MV:g} mV"
        )
    if calibration.residual_ph > GOOD_RESIDUAL_PH:
        state = "ageing"
        reasons.append(
            f"buffers up to {calibration.residual_ph:.2f} pH off the line: old buffers, the wrong "
            "buffer set, or a slow electrode"
        )
    within = USABLE_SLOPE_PERCENT[0] <= slope <= USABLE_SLOPE_PERCENT[1]
    if not within or abs(offset) > USABLE_OFFSET_MV:
        state = "replace"
        reasons.append(
            "clean it, repeat with fresh buffers, and replace it if that changes nothing"
        )
    age = calibration_age_days(calibration, now_s)
    if age is not None and age > CALIBRATION_DUE_DAYS:
        reasons.append(f"calibrated {age:.0f} days ago; due every {CALIBRATION_DUE_DAYS:.0f} days")
    return Verdict(state, tuple(reasons))


def calibration_age_days(calibration: Calibration, now_s: float | None) -> float | None:
    """Days since the calibration, None where either time is unknown."""
    if now_s is None or calibration.calibrated_s is None:
        return None
    return (now_s - calibration.calibrated_s) / SECONDS_PER_DAY


def calibration_sd_ph(
    age_days: ArrayLike,
    *,
    fresh_sd_ph: float = FRESH_SD_PH,
    drift_ph_per_30_days: float = DRIFT_PH_PER_30_DAYS,
) -> Floats:
    """Standard deviation of a calibration by its age, for ``carbonate.co2.estimate_co2``.
    sqrt(fresh² + drift² * age / 30 d): steps of drift that know nothing of each other add up like a
    random walk, which the recalibrations of the river bear out and a steady creep does not.

    Parameters
    ----------
    age_days: >= 0, any shape.
    """
    age = as_floats("age_days", age_days, low=0.0, unit="d")
    drift = as_number("drift_ph_per_30_days", drift_ph_per_30_days, low=0.0)
    fresh = as_number("fresh_sd_ph", fresh_sd_ph, low=0.0)
    return np.asarray(np.sqrt(fresh**2 + drift**2 * age / DRIFT_DAYS))
