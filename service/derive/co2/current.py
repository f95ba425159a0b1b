"""Dissolved CO2 of a tank, now and over time, from its pH, alkalinity and temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from service.derive.co2.alkalinity import alkalinity_at
from service.derive.models import (
    Alkalinity,
    Array,
    Co2Now,
    Co2Series,
    Co2State,
    Estimate,
    Quality,
)
from service.derive.sensor_choice import ago
from service.derive.thresholds import derived_limit
from service.registry.models import LogEntry, LogKind, Tank
from service.science.carbonate.co2 import (
    DEFAULT_TEMPERATURE_SD_C,
    PH_RANGE,
    co2_rule_of_thumb_mg_l,
    estimate_co2,
)
from service.science.water.hardness import dkh_from_meq_l
from service.store.model import Reading, Samples
from service.times import from_us, to_us

METHOD = "carbonate balance from pH and alkalinity (Plummer & Busenberg 1982)"
US_PER_MINUTE = 60_000_000
DAYS_PER_MONTH = 30.0
CONDUCTIVITY_VALID_MIN = 1440.0
"""A conductivity counts for CO2 up to this long before and after it was measured. Our choice."""
NEVER_CALIBRATED_MONTHS = 2.0
"""An electrode without a calibration in the log is taken to be this old in its drift."""


@dataclass(frozen=True, slots=True)
class Target:
    """The range of CO2 aimed at, mg/L."""

    low_mg_l: float
    high_mg_l: float


def target_of(tank: Tank, ceiling_mg_l: float | None) -> Target:
    """The plants' target range, its upper end no higher than the livestock tolerates.

    A tank without injected CO2 lives on what the air gives: its lower end is 0.
    """
    high = tank.plants.co2_high_mg_l
    if ceiling_mg_l is not None:
        high = min(high, ceiling_mg_l)
    low = tank.plants.co2_low_mg_l if tank.co2_injected else 0.0
    return Target(min(low, high), high)


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


def co2_at(
    tank: Tank,
    now: datetime,
    *,
    target: Target,
    alkalinity: Alkalinity | None,
    ph: Reading | None,
    no_ph: str = "there is no usable pH reading",
    temperature: Reading | None = None,
    calibrated_days_ago: float | None = None,
    conductivity_us_cm: float | None = None,
    reasons: tuple[str, ...] = (),
) -> Co2Now:
    """CO2 at ``now`` from the readings at hand.

    Args:
        target: what to judge it by.
        alkalinity: in force; None gives an unknown CO2.
        ph: newest usable reading of the believed sensor; too old a one gives an unknown CO2.
        no_ph: the sentence to give when it is missing or too old.
        temperature: the reading nearest to ``ph`` in time; None or too far: assumed, with a
            wider interval.
        calibrated_days_ago: age of the pH calibration, d; None if not in the log.
        reasons: sentences to pass on, such as why another sensor is believed.
    """
    stale = ph is None or (to_us(now) - ph.time_us) / US_PER_MINUTE > derived_limit(
        tank, "stale_ph_min"
    )
    paired = _paired(tank, ph, temperature)
    unknown = Co2Now(
        time=None if ph is None else from_us(ph.time_us),
        co2=None,
        method=METHOD,
        ph=ph,
        alkalinity=alkalinity,
        temperature=paired,
        target_low_mg_l=target.low_mg_l,
        target_high_mg_l=target.high_mg_l,
        state=Co2State.UNKNOWN,
        quality=Quality.STALE if stale else Quality.SUSPECT,
    )
    why = [no_ph] if stale else []
    if alkalinity is None:
        why.append("alkalinity is not known: log a KH test")
    if ph is not None and not PH_RANGE[0] <= ph.value <= PH_RANGE[1]:
        why.append(f"pH {ph.value:.2f} is outside what the formula covers (2 to 12)")
    if why or ph is None or alkalinity is None:
        return replace(unknown, reasons=(*why, *reasons))

    estimate = _estimate(tank, ph, alkalinity, paired, calibrated_days_ago, conductivity_us_cm)
    if estimate is None:
        why = ["pH and alkalinity contradict each other: no CO2 fits both"]
        return replace(unknown, reasons=(*why, *reasons))
    doubts = _doubts(tank, now, alkalinity, calibrated_days_ago)
    notes = doubts + _notes(tank, ph, alkalinity, paired, temperature, calibrated_days_ago, now)
    times = [ph.time_us] if paired is None else [ph.time_us, paired.time_us]
    return replace(
        unknown,
        time=from_us(min(times)),
        co2=estimate,
        state=state_of(estimate.value, target),
        quality=Quality.SUSPECT if doubts or paired is None else Quality.GOOD,
        reasons=(*notes, *reasons),
    )


def state_of(co2_mg_l: float, target: Target) -> Co2State:
    """Where a CO2 value lies against its target; a value on a limit is within."""
    if co2_mg_l < target.low_mg_l:
        return Co2State.BELOW
    return Co2State.ABOVE if co2_mg_l > target.high_mg_l else Co2State.WITHIN


def co2_over(
    tank: Tank,
    log: Sequence[LogEntry],
    ph: Samples,
    temperature: Samples,
    conductivity: Samples,
) -> Co2Series:
    """CO2 at each pH sample, vectorised.

    Args:
        ph: usable samples (n,).
        temperature: usable samples, interpolated to the pH samples over gaps up to the tank's
            ``pair_gap_min``; elsewhere the assumed temperature with its wider interval counts.
        conductivity: usable samples, µS/cm, for the ionic strength; interpolated to the pH
            samples over gaps up to ``CONDUCTIVITY_VALID_MIN``, elsewhere taken as not known.

    Returns:
        (n,) mg/L with 95 % interval; NaN where alkalinity is not known or pH impossible.
    """
    if not len(ph):
        return empty_series()
    gap_us = int(derived_limit(tank, "pair_gap_min") * US_PER_MINUTE)
    celsius, measured = interpolated(temperature, ph.time_us, gap_us)
    celsius = np.where(measured, celsius, derived_limit(tank, "assumed_temperature_c"))
    celsius_sd = np.where(
        measured, DEFAULT_TEMPERATURE_SD_C, derived_limit(tank, "assumed_temperature_sd_c")
    )
    meq_l, meq_l_sd = alkalinity_at(tank, log, ph.time_us)
    possible = (ph.value >= PH_RANGE[0]) & (ph.value <= PH_RANGE[1])
    ph_value = np.where(possible, ph.value, np.nan)
    celsius = np.clip(celsius, 0.0, 50.0)
    calibration_sd = _calibration_sd_at(tank, log, ph.time_us)
    us_cm, known = interpolated(
        conductivity, ph.time_us, int(CONDUCTIVITY_VALID_MIN * US_PER_MINUTE)
    )
    value, low, high = (np.full(ph.time_us.shape, np.nan) for _ in range(3))
    for part, us_cm_of_part in ((known, us_cm[known]), (~known, None)):
        if not part.any():
            continue
        found = estimate_co2(
            ph_value[part],
            meq_l[part],
            celsius[part],
            alkalinity_sd_meq_l=meq_l_sd[part],
            temperature_sd_c=celsius_sd[part],
            calibration_sd_ph=calibration_sd[part],
            gh_meq_l=tank.gh_meq_l,
            conductivity_us_cm=us_cm_of_part,
        )
        value[part], low[part], high[part] = found.value, found.low, found.high
    return Co2Series(ph.time_us, value, low, high)


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
    value = np.interp(time_us, samples.time_us, samples.value)
    after = np.searchsorted(samples.time_us, time_us, side="left")
    right = samples.time_us[np.minimum(after, len(samples) - 1)]
    left = samples.time_us[np.maximum(after - 1, 0)]
    at_end = (after == 0) | (after == len(samples))
    near = np.minimum(np.abs(right - time_us), np.abs(left - time_us))
    between = right - left <= max_gap_us
    return value, np.where(at_end, near <= max_gap_us, between | (near == 0))


def _calibration_sd_at(
    tank: Tank, log: Sequence[LogEntry], time_us: npt.NDArray[np.int64]
) -> Array:
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


def _paired(tank: Tank, ph: Reading | None, temperature: Reading | None) -> Reading | None:
    """The temperature reading, if it is near enough to the pH reading in time."""
    if ph is None or temperature is None:
        return None
    apart_min = abs(ph.time_us - temperature.time_us) / US_PER_MINUTE
    return temperature if apart_min <= derived_limit(tank, "pair_gap_min") else None


def _estimate(
    tank: Tank,
    ph: Reading,
    alkalinity: Alkalinity,
    temperature: Reading | None,
    calibrated_days_ago: float | None,
    conductivity_us_cm: float | None,
) -> Estimate | None:
    if temperature is None:
        celsius = derived_limit(tank, "assumed_temperature_c")
        celsius_sd = derived_limit(tank, "assumed_temperature_sd_c")
    else:
        celsius, celsius_sd = temperature.value, DEFAULT_TEMPERATURE_SD_C
    found = estimate_co2(
        ph.value,
        alkalinity.meq_l,
        celsius,
        alkalinity_sd_meq_l=alkalinity.sd_meq_l,
        temperature_sd_c=celsius_sd,
        calibration_sd_ph=calibration_sd_ph(tank, calibrated_days_ago),
        gh_meq_l=tank.gh_meq_l,
        conductivity_us_cm=conductivity_us_cm,
    )
    value = float(found.value)
    return None if np.isnan(value) else Estimate(value, float(found.low), float(found.high))


def _doubts(
    tank: Tank, now: datetime, alkalinity: Alkalinity, calibrated_days_ago: float | None
) -> list[str]:
    """Why the value is suspect, if it is."""
    doubts = []
    if alkalinity.tested is not None:
        days = (now - alkalinity.tested).total_seconds() / 86_400
        if days > derived_limit(tank, "kh_test_valid_days"):
            doubts.append(f"the KH test is {days:.0f} days old: test again")
    valid_days = derived_limit(tank, "ph_calibration_valid_days")
    if calibrated_days_ago is not None and calibrated_days_ago > valid_days:
        doubts.append(f"the pH probe was calibrated {calibrated_days_ago:.0f} days ago")
    return doubts


def _notes(
    tank: Tank,
    ph: Reading,
    alkalinity: Alkalinity,
    paired: Reading | None,
    temperature: Reading | None,
    calibrated_days_ago: float | None,
    now: datetime,
) -> list[str]:
    """What else a reader should know of the value."""
    notes = []
    if paired is None:
        assumed = derived_limit(tank, "assumed_temperature_c")
        spread = 2 * derived_limit(tank, "assumed_temperature_sd_c")
        seen = "there is none" if temperature is None else f"the last came {ago(temperature, now)}"
        notes.append(
            f"temperature is assumed as {assumed:.0f} ± {spread:.0f} °C: no reading near the pH "
            f"reading ({seen})"
        )
    if alkalinity.tested is None:
        notes.append("the date of the KH value is not known")
    if calibrated_days_ago is None:
        notes.append("no calibration of the pH probe is in the log: the interval is wider for it")
    rule = float(co2_rule_of_thumb_mg_l(ph.value, dkh_from_meq_l(alkalinity.meq_l)))
    notes.append(f"the trade's rule 3 x KH x 10^(7 - pH) would say {rule:.1f} mg/L")
    return notes
