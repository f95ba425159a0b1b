"""Raw signals of home-made probes: thermistors and light sensors; pH is in ``ph_electrode.py``.

Sources
-------
Steinhart & Hart 1968, Deep-Sea Res. 15:497-503: 1/T = A + B ln R + C (ln R)³.
Beta form: 1/T = 1/T0 + ln(R / R0) / beta, the same with C = 0 (makers' data sheets).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import CELSIUS_ZERO_K
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, as_number
from service.science.sensors.buffers import BUFFER_SETS, Buffer, buffer
from service.science.sensors.ph_electrode import (
    Calibration,
    CalibrationPoint,
    Verdict,
    calibrate,
    calibration_age_days,
    calibration_sd_ph,
    electrode_verdict,
    millivolts_from_volts,
    nernst_mv_per_ph,
    ph_from_millivolts,
)

__all__ = [
    "BUFFER_SETS",
    "Buffer",
    "Calibration",
    "CalibrationPoint",
    "SteinhartHart",
    "Verdict",
    "buffer",
    "calibrate",
    "calibration_age_days",
    "calibration_sd_ph",
    "electrode_verdict",
    "light_from_raw",
    "light_gain",
    "millivolts_from_volts",
    "nernst_mv_per_ph",
    "ph_from_millivolts",
    "steinhart_hart_from_beta",
    "steinhart_hart_from_points",
    "temperature_from_thermistor_c",
    "thermistor_ohm_from_divider",
]


@dataclass(frozen=True)
class SteinhartHart:
    """Coefficients of a thermistor, R in ohm and T in kelvin."""

    a: float
    b: float
    c: float = 0.0


def steinhart_hart_from_points(
    resistance_ohm: Sequence[float], temperature_c: Sequence[float]
) -> SteinhartHart:
    """Coefficients through three points (resistance, temperature).

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    ohm = as_floats("resistance_ohm", resistance_ohm, above=0.0, unit="ohm")
    kelvin = as_floats("temperature_c", temperature_c, low=-60.0, high=200.0) + CELSIUS_ZERO_K
    if ohm.shape != (3,) or kelvin.shape != (3,):
        raise OutOfRangeError("resistance_ohm", ohm.tolist(), "three points of (ohm, °C)")
    if len(set(ohm.tolist())) < 3 or np.isnan(ohm + kelvin).any():
        raise OutOfRangeError("resistance_ohm", ohm.tolist(), "three different resistances")
    ln_r = np.log(ohm)
    matrix = np.stack([np.ones(3), ln_r, ln_r**3], axis=1)
    a, b, c = (float(number) for number in np.linalg.solve(matrix, 1.0 / kelvin))
    return SteinhartHart(a, b, c)


def steinhart_hart_from_beta(
    beta_k: float, *, reference_ohm: float = 10000.0, reference_c: float = 25.0
) -> SteinhartHart:
    """Coefficients of the beta form: ``beta_k`` kelvin, ``reference_ohm`` at ``reference_c``."""
    beta = as_number("beta_k", beta_k, above=0.0, unit="K")
    ohm = as_number("reference_ohm", reference_ohm, above=0.0, unit="ohm")
    kelvin = as_number("reference_c", reference_c, low=-60.0, high=200.0) + CELSIUS_ZERO_K
    return SteinhartHart(1.0 / kelvin - float(np.log(ohm)) / beta, 1.0 / beta)


def temperature_from_thermistor_c(resistance_ohm: ArrayLike, thermistor: SteinhartHart) -> Floats:
    """Temperature, °C, from a thermistor's resistance (> 0 ohm, any shape)."""
    ln_r = np.log(as_floats("resistance_ohm", resistance_ohm, above=0.0, unit="ohm"))
    inverse = thermistor.a + ln_r * (thermistor.b + thermistor.c * ln_r * ln_r)
    return np.asarray(1.0 / inverse - CELSIUS_ZERO_K)


def thermistor_ohm_from_divider(
    volts: ArrayLike, *, supply_volts: float, series_ohm: float, to_ground: bool = True
) -> Floats:
    """Thermistor resistance, ohm, from the middle of a voltage divider.

    Parameters
    ----------
    volts: at the middle, any shape.
    supply_volts: across the divider.
    series_ohm: the fixed resistor.
    to_ground: whether the thermistor is the part to ground.

    Returns
    -------
    NaN where the voltage is at or beyond either rail: an open or shorted probe has no temperature.
    """
    supply = as_number("supply_volts", supply_volts, above=0.0, unit="V")
    series = as_number("series_ohm", series_ohm, above=0.0, unit="ohm")
    middle = as_floats("volts", volts, unit="V")
    inside = np.where((middle > 0.0) & (middle < supply), middle, np.nan)
    ratio = inside / (supply - inside)
    return np.asarray(series * (ratio if to_ground else 1.0 / ratio))


def light_from_raw(
    raw: ArrayLike, gain: float, *, dark: float = 0.0, saturation: float | None = None
) -> Floats:
    """Light, in the unit of ``gain`` times raw, from a sensor's raw signal (any shape).

    Parameters
    ----------
    gain: above 0.
    dark: raw signal in the dark.
    saturation: raw signal from which the sensor is full.

    Returns
    -------
    0 where the raw is below dark, NaN where it is saturated: the true light is then unknown, not
    the maximum.
    """
    factor = as_number("gain", gain, above=0.0)
    signal = as_floats("raw", raw)
    light = np.maximum(signal - as_number("dark", dark), 0.0) * factor
    if saturation is None:
        return np.asarray(light)
    return np.asarray(np.where(signal >= as_number("saturation", saturation), np.nan, light))


def light_gain(raw: ArrayLike, reference: ArrayLike, *, dark: float = 0.0) -> float:
    """Gain of a light sensor from readings beside a reference meter.

    Parameters
    ----------
    raw, reference: (>= 0), shape (n,).
    dark: as in ``light_from_raw``.

    Returns
    -------
    least-squares gain through the dark point.

    Raises
    ------
    OutOfRangeError: no pair is lit.
    """
    signal = as_floats("raw", raw) - as_number("dark", dark)
    meter = as_floats("reference", reference, low=0.0)
    both = np.isfinite(signal + meter) & (signal > 0.0)
    if not both.any():
        allowed = "a reading above the dark signal beside one of the reference"
        raise OutOfRangeError("raw", signal.tolist(), allowed)
    signal, meter = signal[both], meter[both]
    return float(np.sum(signal * meter) / np.sum(np.square(signal)))
