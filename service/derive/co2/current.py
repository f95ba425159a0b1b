"""Dissolved CO2 of a tank now, from its pH, KH and temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from service.derive.calculations.sense import co2_out_of_sense, ions_out_of_sense
from service.derive.co2.beside_carbonate import (
    NOTHING_ELSE,
    BesideCarbonate,
    beside_carbonate,
    carbonate_part,
)
from service.derive.co2.bound import most_co2_mg_l
from service.derive.co2.calibration import ProbeDoubt, ProbeHistory, probe_history
from service.derive.co2.kh import kh_in_force
from service.derive.co2.mornings import drift_doubt
from service.derive.co2.second_probe import contradiction
from service.derive.co2.series import CONDUCTIVITY_VALID_MIN, liquid_c
from service.derive.co2.target import Target, state_of, target_of
from service.derive.inputs import Inputs
from service.derive.models.co2 import Co2Now, Co2State, KhInForce
from service.derive.models.quality import EstimatedValue, Quality
from service.derive.sensors.choice import US_PER_MINUTE, age_min, ago
from service.derive.thresholds import derived_limit
from service.registry.models.tank import Tank
from service.science.carbonate.alkalinity import non_carbonate_caution
from service.science.carbonate.co2 import (
    DEFAULT_TEMPERATURE_SD_C,
    PH_RANGE,
    co2_rule_of_thumb_mg_l,
    estimate_co2,
)
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.sensors.electrode_drift import ElectrodeDrift
from service.science.water.hardness import dkh_from_meq_l
from service.store.model import Reading
from service.times import from_us, to_us

METHOD = "carbonate balance from pH and KH (Plummer & Busenberg 1982)"


def co2_now(
    inputs: Inputs, target: Target | None = None, drift: ElectrodeDrift | None = None
) -> Co2Now:
    """CO2 at ``now`` of the inputs.

    Args:
        target: what to judge it by; None for that of the tank.
        drift: of the pH probe by the tank's mornings, where it is known.
    """
    tank, now = inputs.tank, inputs.now
    if target is None:
        target = target_of(tank, inputs.tolerance.co2_comfortable_mg_l)
    conductivity = inputs.latest.get("conductivity")
    if conductivity is not None and age_min(conductivity, now) > CONDUCTIVITY_VALID_MIN:
        conductivity = None
    probe = inputs.ph_probe
    against = (contradiction(inputs, probe), drift_doubt(tank, drift))
    return co2_at(
        tank,
        now,
        target=target,
        kh=kh_in_force(tank, inputs.log, now),
        ph=inputs.latest.get("ph"),
        no_ph=inputs.why_none("ph"),
        temperature=inputs.paired_temperature,
        probe=probe,
        against=[one for one in against if one is not None],
        conductivity_us_cm=None if conductivity is None else conductivity.value,
        beside=beside_carbonate(tank, inputs.log, now),
        reasons=inputs.reasons("ph"),
    )


def co2_at(
    tank: Tank,
    now: datetime,
    *,
    target: Target,
    kh: KhInForce | None,
    ph: Reading | None,
    no_ph: str = "there is no usable pH reading",
    temperature: Reading | None = None,
    probe: ProbeHistory | None = None,
    against: Sequence[ProbeDoubt] = (),
    conductivity_us_cm: float | None = None,
    beside: BesideCarbonate = NOTHING_ELSE,
    reasons: tuple[str, ...] = (),
) -> Co2Now:
    """CO2 at ``now`` from single readings.

    Args:
        target: what to judge it by.
        kh: the KH in force; None gives an unknown CO2.
        ph: newest usable reading of the sensor that counts; too old a one gives an unknown CO2.
        no_ph: the sentence to give when it is missing or too old.
        temperature: the reading nearest to ``ph`` in time; None or too far: assumed, with a
            wider interval.
        probe: the history of the pH probe; None: no calibration is in the log.
        against: what contradicts the pH probe.
        beside: nutrients and humic acids.
        reasons: sentences to pass on, such as why another sensor counts.
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
        kh=kh,
        temperature=paired,
        target_low_mg_l=target.low_mg_l,
        target_high_mg_l=target.high_mg_l,
        state=Co2State.UNKNOWN,
        quality=Quality.STALE if stale else Quality.SUSPECT,
    )
    why = [no_ph] if stale else []
    if kh is None:
        why.append("KH is not known: log a KH test")
    if ph is not None and not PH_RANGE[0] <= ph.value <= PH_RANGE[1]:
        why.append(f"pH {ph.value:.2f} is outside what the formula covers (2 to 12)")
    if why or ph is None or kh is None:
        return replace(unknown, reasons=(*why, *reasons))

    probe = probe_history(tank, ()) if probe is None else probe
    sd_ph = math.hypot(probe.sd_ph_at(now), *(one.sd_ph for one in against))
    estimate, remarks = _estimate(tank, ph, kh.measured, paired, sd_ph, conductivity_us_cm, beside)
    if estimate is None:
        why = ["pH and KH contradict each other: no CO2 fits both"]
        return replace(unknown, reasons=(*why, *reasons))
    assumed_c = derived_limit(tank, "assumed_temperature_c")
    most = float(
        most_co2_mg_l(tank, assumed_c if paired is None else float(liquid_c(paired.value)))
    )
    if estimate.value > most:
        why = [
            f"pH {ph.value:.2f} would mean {estimate.value:.0f} mg/L of CO2, more than the "
            f"{most:.0f} that water holds under pure CO2: the probe is out of the tank, or wrong"
        ]
        return replace(unknown, reasons=(*why, *reasons))
    age_days = probe.age_days(now)
    doubts = _doubts(tank, now, kh, age_days, against)
    notes = doubts + _notes(tank, kh, paired, temperature, age_days, now)
    notes += remarks
    times = [ph.time_us] if paired is None else [ph.time_us, paired.time_us]
    return replace(
        unknown,
        time=from_us(min(times)),
        co2=estimate,
        state=state_of(estimate.value, target),
        quality=Quality.SUSPECT if doubts or paired is None else Quality.GOOD,
        reasons=(*notes, *reasons),
        rule_of_thumb_mg_l=float(co2_rule_of_thumb_mg_l(ph.value, dkh_from_meq_l(kh.meq_l))),
    )


def _paired(tank: Tank, ph: Reading | None, temperature: Reading | None) -> Reading | None:
    """The temperature reading, if it is near enough to the pH reading in time."""
    if ph is None or temperature is None:
        return None
    apart_min = abs(ph.time_us - temperature.time_us) / US_PER_MINUTE
    return temperature if apart_min <= derived_limit(tank, "pair_gap_min") else None


def _estimate(
    tank: Tank,
    ph: Reading,
    tested: MeasuredAlkalinity,
    temperature: Reading | None,
    calibration_sd_ph: float,
    conductivity_us_cm: float | None,
    beside: BesideCarbonate,
) -> tuple[EstimatedValue | None, list[str]]:
    """CO2, None where no CO2 fits, and what makes it doubtful in itself."""
    if temperature is None:
        celsius = derived_limit(tank, "assumed_temperature_c")
        celsius_sd = derived_limit(tank, "assumed_temperature_sd_c")
    else:
        celsius, celsius_sd = float(liquid_c(temperature.value)), DEFAULT_TEMPERATURE_SD_C
    carbonate = carbonate_part(tested, beside, ph.value, celsius)
    found = estimate_co2(
        ph.value,
        carbonate.value_meq_l,
        celsius,
        alkalinity_half_width_meq_l=carbonate.half_width_meq_l,
        alkalinity_sd_meq_l=carbonate.sd_meq_l,
        temperature_sd_c=celsius_sd,
        calibration_sd_ph=calibration_sd_ph,
        gh_meq_l=tank.gh_meq_l,
        conductivity_us_cm=conductivity_us_cm,
        nitrate_mg_l=beside.nitrate_mg_l,
        potassium_mg_l=beside.potassium_mg_l,
    )
    value, meq_l = float(found.value), float(tested.value_meq_l)
    if np.isnan(value):
        return None, []
    remarks = [
        *co2_out_of_sense(value, ph.value, celsius),
        *ions_out_of_sense(meq_l, tank.gh_meq_l, conductivity_us_cm),
    ]
    share = 1.0 - float(carbonate.value_meq_l) / meq_l if meq_l > 0 else 0.0
    caution = non_carbonate_caution(share)
    if caution is not None:
        remarks.append(f"{caution}; the carbonate part is taken")
    return EstimatedValue(value, float(found.low), float(found.high)), remarks


def _doubts(
    tank: Tank,
    now: datetime,
    kh: KhInForce,
    calibrated_days_ago: float | None,
    against: Sequence[ProbeDoubt],
) -> list[str]:
    """Why the value is suspect, if it is."""
    doubts = []
    if kh.tested is not None:
        days = (now - kh.tested).total_seconds() / 86_400
        if days > derived_limit(tank, "kh_test_valid_days"):
            doubts.append(f"the KH test is {days:.0f} days old: test again")
    valid_days = derived_limit(tank, "ph_calibration_valid_days")
    if calibrated_days_ago is None:
        doubts.append("no calibration of the pH probe is in the log: the interval is wider for it")
    elif calibrated_days_ago > valid_days:
        doubts.append(_calibrate(calibrated_days_ago))
    return [*doubts, *(one.reason for one in against)]


def _calibrate(days_ago: float) -> str:
    return f"the pH probe was calibrated {days_ago:.0f} days ago: calibrate it"


def _notes(
    tank: Tank,
    kh: KhInForce,
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
    if kh.tested is None:
        notes.append("the date of the KH value is not known")
    due_days, valid_days = (
        derived_limit(tank, name)
        for name in ("ph_calibration_due_days", "ph_calibration_valid_days")
    )
    if calibrated_days_ago is not None and due_days < calibrated_days_ago <= valid_days:
        notes.append(_calibrate(calibrated_days_ago))
    return notes
