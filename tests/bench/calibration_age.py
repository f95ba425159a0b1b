"""How often intervals hold the truth, by the age of the pH calibration.

    python -m tests.bench.calibration_age [READINGS]

First the calibration's own 95 % interval, on recalibrations of a sonde in a river
(``tests/science/sensors/river_recalibrations.py``). Then that of CO2: readings by chance of
electrodes that drift as those did, with errors of KH, temperature and the fresh calibration. Beside
each share what 95 % of bootstrap samples of the recalibrations give: there are only 45 of them.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.carbonate.co2 import (
    DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L,
    DEFAULT_PH_SD,
    DEFAULT_TEMPERATURE_SD_C,
    co2_mg_l,
    estimate_co2,
)
from service.science.sensors.ph_electrode import FRESH_SD_PH, calibration_sd_ph
from tests.science.sensors.river_recalibrations import EARLY, LATE, Floats, counts, held

AGES = ((0, 7), (7, 14), (14, 21), (21, 30), (30, 45), (45, 100))
READINGS = 20_000
SAMPLES = 4000
RIVER = np.concatenate([EARLY, LATE])


@dataclass(frozen=True)
class Coverage:
    """Readings whose interval held the truth, and all, of each recalibration."""

    held: Floats
    total: Floats

    @property
    def share(self) -> float:
        """Of all readings."""
        return float(self.held.sum() / self.total.sum())

    def interval(self, rng: np.random.Generator) -> tuple[float, float]:
        """95 % of the share, were other recalibrations seen than these.

        Bootstrap of clusters (Efron & Tibshirani 1993, An Introduction to the Bootstrap): readings
        between the same two calibrations are right or wrong together.
        """
        chosen = rng.integers(len(self.total), size=(SAMPLES, len(self.total)))
        shares = self.held[chosen].sum(axis=1) / np.maximum(self.total[chosen].sum(axis=1), 1e-9)
        low, high = np.percentile(shares, [2.5, 97.5])
        return float(low), float(high)


def calibration_coverage(low_days: float, high_days: float) -> Coverage:
    """Of the calibration's own interval, for readings of these ages."""
    pairs = [counts(*one, low_days, high_days) for one in RIVER]
    held, total = np.array(pairs, dtype=float).T
    return Coverage(held, total)


def co2_coverage(
    low_days: float, high_days: float, count: int, rng: np.random.Generator
) -> Coverage:
    """Of the interval of CO2, for readings of these ages."""
    chosen, age, drift = _drift(RIVER, low_days, high_days, count, rng)
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
    held = (found.low <= truth) & (truth <= found.high)
    return Coverage(
        np.bincount(chosen, held, minlength=len(RIVER)), np.bincount(chosen, minlength=len(RIVER))
    )


def _drift(
    river: Floats, low_days: float, high_days: float, count: int, rng: np.random.Generator
) -> tuple[npt.NDArray[np.int64], Floats, Floats]:
    """Which recalibration, ages of readings, each as likely as any other, and the drift by then."""
    begin = np.minimum(low_days, river[:, 0])
    share = np.minimum(high_days, river[:, 0]) - begin
    chosen = rng.choice(len(river), count, p=share / share.sum())
    age = begin[chosen] + rng.uniform(size=count) * share[chosen]
    return chosen, age, river[chosen, 1] * age / river[chosen, 0]


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else READINGS
    rng = np.random.default_rng(1)
    print("age, d    recalibrations  calibration            CO2")
    for low, high in (*AGES, (0, 100)):
        calibration, co2 = calibration_coverage(low, high), co2_coverage(low, high, count, rng)
        seen = np.count_nonzero(calibration.total)
        print(f"{low:2} to {high:3}  {seen:14}  {_shown(calibration, rng)}  {_shown(co2, rng)}")
    print(f"2014 to 2016 {held(EARLY):.1%}, 2017 to 2019 {held(LATE):.1%}, all {held(RIVER):.1%}")


def _shown(coverage: Coverage, rng: np.random.Generator) -> str:
    low, high = coverage.interval(rng)
    return f"{coverage.share:6.1%} ({low:.1%} to {high:.1%})"


if __name__ == "__main__":
    main()
