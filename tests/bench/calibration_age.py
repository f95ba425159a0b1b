"""How often intervals hold the truth, by the age of the pH calibration.

    python -m tests.bench.calibration_age [READINGS]

First the calibration's own 95 % interval, on recalibrations of a sonde in a river
(``tests/science/sensors/river_recalibrations.py``). Then that of CO2: readings by chance of
electrodes that drift as those did, with errors of KH, temperature and the fresh calibration.
"""

from __future__ import annotations

import sys

import numpy as np

from service.science.carbonate.co2 import (
    DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L,
    DEFAULT_PH_SD,
    DEFAULT_TEMPERATURE_SD_C,
    co2_mg_l,
    estimate_co2,
)
from service.science.sensors.ph_electrode import FRESH_SD_PH, calibration_sd_ph
from tests.science.sensors.river_recalibrations import EARLY, LATE, Floats, held

AGES = ((0, 7), (7, 14), (14, 21), (21, 30), (30, 45), (45, 100))
READINGS = 20_000


def co2_held(low_days: float, high_days: float, count: int, rng: np.random.Generator) -> float:
    """Share of CO2 intervals of these ages that held the truth."""
    river = np.concatenate([EARLY, LATE])
    age, drift = _drift(river, low_days, high_days, count, rng)
    ph, meq_l, celsius = (rng.uniform(*span, count) for span in ((6.2, 7.4), (0.7, 3.0), (20, 28)))
    off = drift + rng.normal(0.0, FRESH_SD_PH, count) + rng.normal(0.0, DEFAULT_PH_SD, count)
    step = DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L
    found = estimate_co2(
        ph + off,
        meq_l + rng.uniform(-step, step, count),
        celsius + rng.normal(0.0, DEFAULT_TEMPERATURE_SD_C, count),
        calibration_sd_ph=calibration_sd_ph(age),
    )
    truth = co2_mg_l(ph, meq_l, celsius)
    return float(np.mean((found.low <= truth) & (truth <= found.high)))


def _drift(
    river: Floats, low_days: float, high_days: float, count: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Ages of readings, each as likely as any other, and the drift of one of the sondes by then."""
    begin = np.minimum(low_days, river[:, 0])
    share = np.minimum(high_days, river[:, 0]) - begin
    chosen = rng.choice(len(river), count, p=share / share.sum())
    age = begin[chosen] + rng.uniform(size=count) * share[chosen]
    return age, river[chosen, 1] * age / river[chosen, 0]


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else READINGS
    rng = np.random.default_rng(1)
    every = np.concatenate([EARLY, LATE])
    print("age, d    calibration   CO2")
    for low, high in AGES:
        co2 = co2_held(low, high, count, rng)
        print(f"{low:2} to {high:3}  {held(every, low, high):9.1%}  {co2:9.1%}")
    print(f"2014 to 2016 {held(EARLY):.1%}, 2017 to 2019 {held(LATE):.1%}, all {held(every):.1%}")
    print(f"CO2, all ages {co2_held(0, 100, count, rng):.1%}")


if __name__ == "__main__":
    main()
