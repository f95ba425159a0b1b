"""CO2 over time from series of pH, temperature and conductivity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from service.derive.co2.beside_carbonate import (
    BesideCarbonate,
    beside_carbonate,
    carbonate_part,
)
from service.derive.co2.bound import most_co2_mg_l
from service.derive.co2.calibration import ProbeHistory, probe_history
from service.derive.co2.kh import kh_at
from service.derive.inputs import Inputs
from service.derive.models.co2 import Array, Co2Series
from service.derive.sensors.choice import US_PER_MINUTE
from service.derive.thresholds import derived_limit
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.science.carbonate.co2 import DEFAULT_TEMPERATURE_SD_C, PH_RANGE, estimate_co2
from service.science.carbonate.inputs import TEMPERATURE_RANGE_C
from service.science.numeric.sets import numbered
from service.store.model import Samples
from service.times import from_us, to_us

CONDUCTIVITY_VALID_MIN: Final = 1440.0
"""A conductivity counts for CO2 up to this long before and after it was measured. Our choice."""

INNER_POINTS: Final = 10_000
INNER_STEPS_US: Final = tuple(US_PER_MINUTE * minutes for minutes in (1440, 360, 60, 30, 10, 5, 1))


@dataclass(frozen=True, slots=True)
class Water:
    """What CO2 is computed from at each pH sample, arrays of one length.

    Attributes:
        ph: NaN where it is impossible.
        celsius: of liquid water; assumed where it was not ``measured``.
        us_cm: conductivity, NaN where it is not known.
    """

    time_us: npt.NDArray[np.int64]
    ph: Array
    celsius: Array
    measured: npt.NDArray[np.bool_]
    us_cm: Array

    def at(self, places: npt.NDArray[np.bool_]) -> Water:
        """That of some of the samples."""
        return Water(
            self.time_us[places],
            self.ph[places],
            self.celsius[places],
            self.measured[places],
            self.us_cm[places],
        )


@dataclass(frozen=True, slots=True)
class Co2Basis:
    """What CO2 at all samples is computed from beside the water at each.

    Attributes:
        log: newest first.
        beside: at the last sample.
    """

    tank: Tank
    log: tuple[LogEntry, ...]
    probe: ProbeHistory
    beside: BesideCarbonate


def co2_series(inputs: Inputs) -> Co2Series:
    """CO2 at each pH sample that was loaded."""
    return co2_over(
        inputs.tank,
        inputs.log,
        inputs.series("ph"),
        inputs.series("temperature"),
        inputs.series("conductivity"),
        inputs.ph_probe,
    )


def co2_over(
    tank: Tank,
    log: Sequence[LogEntry],
    ph: Samples,
    temperature: Samples,
    conductivity: Samples,
    probe: ProbeHistory | None = None,
) -> Co2Series:
    """CO2 at each pH sample, vectorised.

    Args:
        log: newest first.
        ph: usable samples (n,).
        temperature: usable samples, interpolated to the pH samples over gaps up to the tank's
            ``pair_gap_min``; elsewhere the assumed temperature with its wider interval counts.
        conductivity: usable samples, µS/cm, for the ionic strength; interpolated to the pH
            samples over gaps up to ``CONDUCTIVITY_VALID_MIN``, elsewhere taken as not known.
        probe: the history of the pH probe; None: that of any in the log.

    Returns:
        (n,) mg/L with 95 % interval; NaN where alkalinity is not known, pH impossible, or CO2 more
        than water can hold.
    """
    if not len(ph):
        return empty_series()
    water = water_at(tank, ph, temperature, conductivity)
    basis = basis_at(tank, log, int(ph.time_us[-1]), probe or probe_history(tank, log))
    return Co2Series(ph.time_us, *co2_of(water, basis))


def water_at(tank: Tank, ph: Samples, temperature: Samples, conductivity: Samples) -> Water:
    """The water at each pH sample; as ``co2_over``."""
    gap_us = int(derived_limit(tank, "pair_gap_min") * US_PER_MINUTE)
    celsius, measured = interpolated(temperature, ph.time_us, gap_us)
    celsius = np.where(measured, celsius, derived_limit(tank, "assumed_temperature_c"))
    possible = (ph.value >= PH_RANGE[0]) & (ph.value <= PH_RANGE[1])
    us_cm, known = interpolated(
        conductivity, ph.time_us, int(CONDUCTIVITY_VALID_MIN * US_PER_MINUTE)
    )
    return Water(
        ph.time_us,
        np.where(possible, ph.value, np.nan),
        liquid_c(celsius),
        measured,
        # without any, one NaN stands for all: caches hold these arrays
        np.where(known, us_cm, np.nan) if known.any() else np.broadcast_to(np.nan, known.shape),
    )


def basis_at(tank: Tank, log: Sequence[LogEntry], last_us: int, probe: ProbeHistory) -> Co2Basis:
    """What all samples share; ``last_us`` the time of the last."""
    return Co2Basis(tank, tuple(log), probe, beside_carbonate(tank, log, from_us(last_us)))


def co2_of(water: Water, basis: Co2Basis) -> tuple[Array, Array, Array]:
    """CO2 at each sample with its interval, low and high; each hangs on its own sample alone."""
    tank, beside = basis.tank, basis.beside
    kh = kh_at(tank, basis.log, water.time_us)
    kh = carbonate_part(kh, beside, water.ph, water.celsius)
    celsius_sd = np.where(
        water.measured, DEFAULT_TEMPERATURE_SD_C, derived_limit(tank, "assumed_temperature_sd_c")
    )
    calibration_sd = basis.probe.sd_ph(water.time_us)
    value, low, high = (np.full(water.time_us.shape, np.nan) for _ in range(3))
    known = ~np.isnan(water.us_cm)
    parts: list[npt.NDArray[np.bool_] | slice] = [known, ~known]
    if known.all() or not known.any():
        parts = [slice(None)]
    for part in parts:
        found = estimate_co2(
            water.ph[part],
            kh.value_meq_l[part],
            water.celsius[part],
            alkalinity_half_width_meq_l=kh.half_width_meq_l[part],
            alkalinity_sd_meq_l=kh.sd_meq_l[part],
            temperature_sd_c=celsius_sd[part],
            calibration_sd_ph=calibration_sd[part],
            gh_meq_l=tank.gh_meq_l,
            conductivity_us_cm=water.us_cm[part] if known[part].all() else None,
            nitrate_mg_l=beside.nitrate_mg_l,
            potassium_mg_l=beside.potassium_mg_l,
        )
        value[part], low[part], high[part] = found.value, found.low, found.high
    # the warmest water holds the least
    if np.fmax.reduce(value) > float(most_co2_mg_l(tank, float(water.celsius.max()))):
        impossible = value > most_co2_mg_l(tank, water.celsius)
        for one in (value, low, high):
            one[impossible] = np.nan
    return value, low, high


def liquid_c(celsius: ArrayLike) -> Array:
    """Temperatures as those of liquid water: a thermometer may show less at its freezing point."""
    low, high = TEMPERATURE_RANGE_C
    return np.asarray(np.minimum(np.maximum(celsius, low), high))


def inner_step_us(start: datetime, end: datetime, every_us: int) -> int:
    """A finer step that ``every_us`` is a multiple of, for about ``INNER_POINTS`` in all.

    CO2 runs exponentially in pH, so the CO2 of a mean pH is not the mean CO2: a long series is
    averaged from finer steps.
    """
    length_us = to_us(end) - to_us(start)
    fitting = [step for step in INNER_STEPS_US if every_us % step == 0]
    coarse_enough = [step for step in fitting if length_us / step <= INNER_POINTS]
    return min(coarse_enough, default=every_us)


def mean_over(fine: Co2Series, every_us: int) -> Co2Series:
    """Means of CO2 over spans aligned to 1970-01-01 UTC; NaN where no value of a span is known."""
    spans, position = numbered(fine.time_us // every_us)
    known = ~np.isnan(fine.value)
    count = np.bincount(position[known], minlength=spans.size)

    def mean(values: Array) -> Array:
        total = np.bincount(position[known], weights=values[known], minlength=spans.size)
        return np.asarray(np.divide(total, count, out=np.full(spans.size, np.nan), where=count > 0))

    return Co2Series(spans * every_us, mean(fine.value), mean(fine.low), mean(fine.high))


def empty_series() -> Co2Series:
    """CO2 of no moment."""
    nothing = np.empty(0)
    return Co2Series(np.empty(0, np.int64), nothing, nothing, nothing)


def interpolated(
    samples: Samples, time_us: npt.NDArray[np.int64], max_gap_us: int
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Values at given moments by straight lines between samples, and whether they are backed.

    A moment is backed if the samples on both sides lie no further apart than ``max_gap_us``, or
    if one sample alone lies within it at an end of the series.
    """
    if not len(samples):
        return np.full(time_us.shape, np.nan), np.zeros(time_us.shape, np.bool_)
    if np.array_equal(samples.time_us, time_us):
        return samples.value, np.ones(time_us.shape, np.bool_)
    value = np.interp(time_us, samples.time_us, samples.value)
    after = np.searchsorted(samples.time_us, time_us, side="left")
    right = samples.time_us[np.minimum(after, len(samples) - 1)]
    left = samples.time_us[np.maximum(after - 1, 0)]
    at_end = (after == 0) | (after == len(samples))
    near = np.minimum(np.abs(right - time_us), np.abs(left - time_us))
    between = right - left <= max_gap_us
    return value, np.where(at_end, near <= max_gap_us, between | (near == 0))
