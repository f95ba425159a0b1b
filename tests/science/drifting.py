"""Simulated tanks whose pH electrode drifts after its calibration, and what their mornings tell."""

from __future__ import annotations

import numpy as np

from service.science.sensors.electrode_drift import (
    ElectrodeDrift,
    electrode_drift,
    morning_floors,
)
from tests.science.many_tanks import START_S, Electrodes, Tanks, simulate

DAY_S = 86_400.0
DAYS = 21


def drifts(drift_ph: float, *, count: int, seed: int, days: int = DAYS) -> list[ElectrodeDrift]:
    """The drift found in each of so many tanks, whose electrode drifts by ``drift_ph`` in all.

    Exchange 0.2 to 1.2/h, KH 2 to 8 dKH of which an unseen 12 % a month (sd) comes or goes, rooms
    of 480 to 800 ppm; the nights' exchange differs by 5 %; k is known within 4 %, KH to half a
    degree.
    """
    rng = np.random.default_rng(seed)
    k20 = np.exp(rng.uniform(np.log(0.2), np.log(1.2), count))
    kh = rng.uniform(2.0, 8.0, count)
    tanks = Tanks(
        count,
        days=days,
        k20_per_h=k20,
        injection_mg_l_h=k20 * rng.uniform(18.0, 35.0, count),
        respiration_mg_l_h=rng.uniform(0.1, 0.6, count),
        kh_dkh=kh,
        room_ppm=rng.uniform(480.0, 800.0, count),
        kh_loss_dkh_day=kh * rng.normal(0.0, 0.12 / 30.0, count),
        night_log_sd=0.05,
    )
    electrodes = Electrodes(
        offset_ph=rng.normal(0.0, 0.025, count),
        drift_ph_day=drift_ph / days,
        slope=rng.normal(1.0, 0.015, count),
    )
    course = simulate(tanks, electrodes, rng)
    nights = [
        (START_S + day * DAY_S + 17.25 * 3600.0, START_S + day * DAY_S + 30.0 * 3600.0)
        for day in range(days - 1)
    ]
    found = []
    for tank in range(count):
        floors = morning_floors(
            course.time_s,
            course.measured_mg_l(tank, round(2 * kh[tank]) / 2),
            course.temperature_c[tank],
            nights=nights,
            k20_per_h=float(k20[tank] * np.exp(rng.normal(0.0, 0.04))),
        )
        one = electrode_drift(floors, calibrated_s=START_S, now_s=START_S + days * DAY_S)
        if one is not None:
            found.append(one)
    return found
