"""Independent estimates of CO2 weighed into one: by KH, by an aerated sample, by gas use."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from service.derive.co2.calibration import probe_history
from service.derive.co2.gas_use import by_gas_use
from service.derive.co2.kh_kit import measured_by
from service.derive.co2.series import liquid_c
from service.derive.models.co2 import Co2Check, Co2Now
from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.derive.thresholds import derived_limit
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.science.carbonate.co2 import DEFAULT_PH_SD, co2_mg_l
from service.science.carbonate.ph_drop import (
    DEFAULT_REFERENCE_LOG_SD,
    DEFAULT_SLOPE_SD,
    alkalinity_from_reference_meq_l,
    disagreement_reason,
)
from service.science.constants import LN10
from service.science.gas_exchange.air_water import (
    CO2_PPM_ROOM,
    co2_air_equilibrium_mg_l,
    pressure_atm_from_altitude,
)
from service.science.numeric.estimate import Z95
from service.science.numeric.weighing import OneEstimate, apart, weigh

AERATED_PH: Final = "aerated_ph"
AERATED_TEMPERATURE: Final = "temperature_c"

BY_KH: Final = "pH and KH"
BY_SAMPLE: Final = "pH drop from an aerated sample"
PH: Final = "pH reading"
CALIBRATION: Final = "calibration"
KH: Final = "KH"

LEAST_KEPT: Final = 0.3
"""Where less than this share of the sampled water is left, the sample no longer counts. Our choice.
"""
FRACTION_SD: Final = 0.05
"""Error of the share that a water change replaces, as a share of the water. Our choice."""


@dataclass(frozen=True, slots=True)
class _Sample:
    """An aerated sample, and what of its water is in the tank.

    Attributes:
        kept: share of its alkalinity that is left.
        added_meq_l: alkalinity that water changes brought since.
        added_sd_meq_l: its error, of the tap's KH and of the share.
    """

    entry: LogEntry
    kept: float
    added_meq_l: float
    added_sd_meq_l: float


def co2_check_of(
    tank: Tank, log: Sequence[LogEntry], co2: Co2Now, now: datetime, gas: GasModel | None = None
) -> Co2Check | None:
    """Weigh CO2 by KH with other estimates of it.

    By the newest aerated sample: somebody leaves a glass of tank water open (better: aerated)
    overnight, reads its pH with the tank's probe, and logs an observation with ``aerated_ph``, and
    ``temperature_c`` if it differs from the tank's. A water change since with known KH is worked
    in; a calibration of the probe, a buffer, or too much new water since end it. By gas use: see
    ``gas_use``.

    Args:
        log: entries, newest first.
        gas: the fitted gas exchange, where there is one.

    Returns:
        None without CO2.
    """
    if co2.co2 is None or co2.ph is None or co2.kh is None:
        return None
    probe = probe_history(tank, log, co2.ph.sensor)
    sd_ph = probe.sd_ph_at(now)
    by_kh = _by_kh(co2, sd_ph)
    sample, why_no_sample = _newest_sample(tank, log, now)
    by_sample = None if sample is None else _by_sample(tank, co2, sample, sd_ph)
    estimates = [by_kh]
    if by_sample is not None:
        estimates.append(by_sample)
    of_gas = by_gas_use(tank, log, gas, by_kh)
    if of_gas is not None:
        estimates.append(of_gas)
    weighed = weigh(estimates)
    disagreement, reason = 0, ""
    if by_sample is not None:
        distance = apart(by_kh, by_sample)
        disagreement = int(np.sign(distance)) if abs(distance) > Z95 else 0
        ratio = by_kh.ln_value - by_sample.ln_value
        reason = disagreement_reason(disagreement, ratio) or ""
    return Co2Check(
        weighed=EstimatedValue(weighed.value, weighed.low, weighed.high),
        methods=tuple((one.method, EstimatedValue(*one.interval)) for one in estimates),
        agree=weighed.agree,
        by_drop=None if by_sample is None else EstimatedValue(*by_sample.interval),
        sampled=None if sample is None else sample.entry.time,
        disagreement=disagreement,
        reason=reason,
        why_no_sample=why_no_sample,
        estimates=tuple(estimates),
        calibrated=probe.fresh_sd_ph / sd_ph if sd_ph else 1.0,
    )


def _by_kh(co2: Co2Now, sd_ph: float) -> OneEstimate:
    """CO2 by pH and KH, with its error by source; ``sd_ph`` of the probe's calibration."""
    assert co2.co2 is not None
    value, low, high = co2.co2.value, co2.co2.low, co2.co2.high
    calibration = LN10 * sd_ph
    reading = LN10 * DEFAULT_PH_SD
    kh = kh_log_sd(co2)
    whole = math.log(high / low) / (2.0 * Z95)
    # temperature and other ions: what is left of the interval
    left = max(whole**2 - calibration**2 - reading**2 - kh**2, 1e-6) ** 0.5
    moved = {PH: -reading, CALIBRATION: -calibration, KH: kh, "temperature and other ions": left}
    return OneEstimate(BY_KH, math.log(value), moved)


def kh_log_sd(co2: Co2Now) -> float:
    """Standard deviation of the logarithm of the KH in force."""
    assert co2.kh is not None
    of_kh = co2.kh.estimate
    return math.log(of_kh.high / max(of_kh.low, 0.05 * of_kh.high)) / (2.0 * Z95)


def _by_sample(tank: Tank, co2: Co2Now, sample: _Sample, sd_ph: float) -> OneEstimate | None:
    """CO2 by the pH drop from a sample; None where that gives none."""
    assert co2.ph is not None
    assumed = derived_limit(tank, "assumed_temperature_c")
    celsius = assumed if co2.temperature is None else float(liquid_c(co2.temperature.value))
    of_sample = float(sample.entry.data.get(AERATED_TEMPERATURE, celsius))
    ph = float(sample.entry.data[AERATED_PH])
    air = co2_air_equilibrium_mg_l(
        np.clip(of_sample, 0.0, 40.0),
        co2_ppm=CO2_PPM_ROOM,
        pressure_atm=float(pressure_atm_from_altitude(tank.altitude_m)),
    )
    sampled = float(alkalinity_from_reference_meq_l(ph, air, of_sample))
    meq_l = sample.kept * sampled + sample.added_meq_l
    value = float(co2_mg_l(co2.ph.value, meq_l, celsius))
    if not value > 0.0 or meq_l <= 0.0:
        return None
    of_it = sample.kept * sampled / meq_l
    calibration = LN10 * sd_ph
    moved = {
        PH: -LN10 * DEFAULT_PH_SD,
        # the same offset in both readings cancels as far as the water is the same
        CALIBRATION: -calibration * (1.0 - of_it),
        "pH of the sample": LN10 * DEFAULT_PH_SD * of_it,
        "slope": LN10 * (ph - co2.ph.value) * DEFAULT_SLOPE_SD,
        "CO2 of the sample": DEFAULT_REFERENCE_LOG_SD * of_it,
        "tap water": sample.added_sd_meq_l / meq_l,
    }
    return OneEstimate(BY_SAMPLE, float(np.log(value)), moved)


def _newest_sample(
    tank: Tank, log: Sequence[LogEntry], now: datetime
) -> tuple[_Sample | None, str]:
    """The newest aerated sample as far as it still speaks for the water; else why it does not."""
    oldest = now - timedelta(days=derived_limit(tank, "kh_test_valid_days"))
    newest = next(
        (
            one
            for one in log
            if one.kind == LogKind.OBSERVATION
            and isinstance(one.data.get(AERATED_PH), (int, float))
            and oldest <= one.time <= now
        ),
        None,
    )
    if newest is None:
        return None, ""
    kept, added, variance = 1.0, 0.0, 0.0
    for entry in oldest_first(log):
        if not newest.time < entry.time <= now:
            continue
        if entry.kind == LogKind.CALIBRATION and entry.data.get("quantity", "ph") == "ph":
            return None, "the pH probe was calibrated since the aerated sample: repeat the sample"
        if entry.kind == LogKind.BUFFER:
            return None, "KH was raised since the aerated sample: repeat the sample"
        if entry.kind == LogKind.WATER_CHANGE:
            tap = entry.data.get("kh_meq_l", tank.water_change.tap_kh_meq_l)
            fraction = entry.data.get("fraction")
            if tap is None or fraction is None:
                return None, "water was changed since the aerated sample: repeat the sample"
            share, new = float(fraction), measured_by(tank.kh_kit, float(tap))
            brought = float(new.value_meq_l)
            kept, added = kept * (1.0 - share), added * (1.0 - share) + share * brought
            spread = np.hypot(float(new.sd_meq_l), float(new.half_width_meq_l) / 3.0**0.5)
            variance = variance * (1.0 - share) ** 2 + float(
                (share * spread) ** 2 + (FRACTION_SD * brought) ** 2
            )
    if kept < LEAST_KEPT:
        return None, "most of the water was changed since the aerated sample: repeat the sample"
    return _Sample(newest, kept, added, variance**0.5), ""
