"""Drift of the pH probe since its calibration, from what the tank's own nights fall to."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from service.derive.co2.calibration import ProbeDoubt
from service.derive.co2.series import co2_series, interpolated, liquid_c
from service.derive.inputs import Inputs
from service.derive.light.plan import gas_off
from service.derive.local_time import local_day, local_moment
from service.derive.models.co2 import Co2Series
from service.derive.thresholds import derived_limit
from service.registry.models.tank import Tank
from service.science.gas_exchange.air_water import pressure_atm_from_altitude
from service.science.sensors.electrode_drift import (
    ElectrodeDrift,
    electrode_drift,
    morning_floors,
)
from service.times import to_us

MOST_DAYS: Final = 45
"""Mornings of so many days are compared. Our choice: a calibration is out of date long before."""

SETTLE: Final = timedelta(minutes=15)
"""So long after the gas went off the diffuser and the hoses still give some. Our choice."""

LEAST_NIGHT: Final = timedelta(hours=4)

US_PER_S: Final = 1e6


def morning_drift(
    inputs: Inputs, k20_per_h: float, co2: Callable[[Inputs], Co2Series] = co2_series
) -> ElectrodeDrift | None:
    """Drift of the pH probe that counts, from its calibration to now.

    Args:
        inputs: of the days since the calibration, at most ``MOST_DAYS``; without a calibration in
            the log the first of these days is what the others are compared with.
        k20_per_h: fitted exchange coefficient at 20 °C.
        co2: gives CO2 at each pH sample of the inputs, as ``co2_series``.

    Returns:
        None where the mornings are too few, as of a probe that is calibrated now, or the plan
        leaves no dark nights without gas.
    """
    tank, now = inputs.tank, inputs.now
    series, calibrated_us = co2(inputs), newest_calibration_us(inputs)
    if not len(series.time_us) or calibrated_us == to_us(now):
        return None
    gap_us = int(derived_limit(tank, "pair_gap_min") * 60e6)
    celsius, backed = interpolated(inputs.series("temperature"), series.time_us, gap_us)
    celsius = np.where(backed, celsius, derived_limit(tank, "assumed_temperature_c"))
    floors = morning_floors(
        series.time_us / US_PER_S,
        series.value,
        np.clip(liquid_c(celsius), 0.0, 40.0),
        nights=nights_of(tank, inputs.start, now),
        k20_per_h=k20_per_h,
        pressure_atm=float(pressure_atm_from_altitude(tank.altitude_m)),
    )
    first_s = inputs.start.timestamp()
    if calibrated_us is not None:
        first_s = max(first_s, calibrated_us / US_PER_S)
    return electrode_drift(floors, calibrated_s=first_s, now_s=now.timestamp())


def nights_of(tank: Tank, start: datetime, now: datetime) -> list[tuple[float, float]]:
    """The stretches without gas and light by plan, unix seconds, that lie within a time."""
    light, gas = tank.light, tank.gas
    if gas.start is None or gas.end is None:
        return []
    found = []
    day = local_day(tank, start) - timedelta(days=1)
    while (on := local_moment(tank, day, light.start)) < now:
        begin = max(gas_off(tank, on), on + timedelta(hours=light.photoperiod_h)) + SETTLE
        following = day + timedelta(days=1)
        ends = [local_moment(tank, one, gas.start) for one in (day, following)]
        ends.append(local_moment(tank, following, light.start))
        end = min((one for one in ends if one > begin), default=begin)
        if end - begin >= LEAST_NIGHT and start <= begin and end <= now:
            found.append((begin.timestamp(), end.timestamp()))
        day = following
    return found


def drift_doubt(tank: Tank, drift: ElectrodeDrift | None) -> ProbeDoubt | None:
    """Why a drift speaks against the probe; None where it is small, or may be none.

    Half of it is added to the standard deviation: it moves no reading.
    """
    if drift is None or not drift.certain or abs(drift.ph) <= derived_limit(tank, "ph_drift_doubt"):
        return None
    way = "high" if drift.ph > 0 else "low"
    reason = (
        f"by the tank's own mornings the pH probe has come to read {abs(drift.ph):.2f} too {way} "
        f"in {drift.days:.0f} days: calibrate it"
    )
    return ProbeDoubt(reason, abs(drift.ph) / 2.0)


def newest_calibration_us(inputs: Inputs) -> int | None:
    """When the probe that counts was last calibrated; None if that is not in the log."""
    now_us = to_us(inputs.now)
    return max((one for one in inputs.ph_probe.calibrated_us if one <= now_us), default=None)
