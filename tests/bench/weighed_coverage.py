"""How often the weighed CO2 holds the truth, by test kit and by the age of the probe's calibration.

Run: python -m tests.bench.weighed_coverage [TRIALS]
Each trial draws a tank's CO2 and KH, an electrode with offset, slope and scatter, a KH test by its
kit, and a room whose air decides the aerated sample; pH by ``carbonate`` (checked against PHREEQC
elsewhere). Prints the share of 95 % intervals that hold the truth by pH and KH, by the sample, and
weighed; how often the estimates are said to disagree (5 % by chance); half widths in percent.
"""

from __future__ import annotations

import sys
from datetime import timedelta

import numpy as np

from service.derive.co2.calibration import NEVER_CALIBRATED_DAYS
from service.derive.co2.crosscheck import co2_check_of
from service.derive.co2.current import co2_now
from service.derive.models.co2 import Co2Check
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import KhKit
from service.science.carbonate.co2 import ph_for_co2
from service.science.carbonate.kh_methods import KH_METHODS, KhMethod
from service.science.gas_exchange.air_water import co2_air_equilibrium_mg_l
from service.science.sensors.ph_electrode import calibration_sd_ph
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.derive.pieces import NOON, a_tank, entry, grid, inputs_with, samples

TRIALS = 300
AGES_DAYS = (1.0, 30.0, None)
DAY = timedelta(days=1)


def kit_reads(method: KhMethod, true_dkh: float, rng: np.random.Generator) -> float:
    """What a kit shows of a true KH, dKH: a count ends in the drop that turns the colour."""
    errors = KH_METHODS[method]
    seen = true_dkh * np.exp(rng.normal(0.0, errors.relative_sd))
    if method is KhMethod.DROPS:
        return float(np.ceil(seen / errors.step_dkh)) * errors.step_dkh
    seen += rng.normal(0.0, errors.judgement_sd_steps) * errors.step_dkh
    return max(round(seen / errors.step_dkh), 1) * errors.step_dkh


def trial(
    method: KhMethod, age_days: float | None, rng: np.random.Generator
) -> tuple[float, Co2Check | None]:
    """The true CO2, and what is weighed from what was measured."""
    co2, kh = rng.uniform(8.0, 35.0), rng.uniform(2.5, 9.0)
    ppm = 600.0 * np.exp(rng.normal(0.0, 0.2))
    tank = a_tank(kh_meq_l=None, kh_kit=KhKit(method=method), gh_meq_l=2.0)
    offset = rng.normal(0.0, float(calibration_sd_ph(age_days or NEVER_CALIBRATED_DAYS)))
    slope = rng.normal(1.0, 0.015)
    meq_l = kh * MEQ_L_PER_DEGREE

    def read(mg_l: float) -> float:
        ph = float(ph_for_co2(mg_l, meq_l, 24.0, gh_meq_l=2.0))
        return 7.0 + (ph - 7.0) * slope + offset + rng.normal(0.0, 0.02)

    log: list[LogEntry] = [
        entry(LogKind.KH_TEST, NOON - DAY, kh_meq_l=kit_reads(method, kh, rng) * MEQ_L_PER_DEGREE),
        entry(
            LogKind.OBSERVATION,
            NOON - DAY / 2,
            aerated_ph=read(float(co2_air_equilibrium_mg_l(24.0, co2_ppm=ppm))),
        ),
    ]
    if age_days is not None:
        log.append(entry(LogKind.CALIBRATION, NOON - age_days * DAY, quantity="ph"))
    at = grid(NOON - timedelta(minutes=5), NOON)
    series = {"ph": samples(at, read(co2)), "temperature": samples(at, 24.0)}
    inputs = inputs_with(tank, NOON, series, log)
    return co2, co2_check_of(tank, inputs.log, co2_now(inputs), NOON)


def main() -> None:
    """Print the table."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    worst: list[tuple[float, str]] = []
    print("kit        calibrated   by KH        by sample    weighed      disagree")
    for number, (method, age) in enumerate((m, a) for m in KhMethod for a in AGES_DAYS):
        rng = np.random.default_rng(700 + number)
        holds: dict[str, list[bool]] = {"kh": [], "sample": [], "weighed": []}
        half: dict[str, list[float]] = {"kh": [], "sample": [], "weighed": []}
        apart = 0
        for _ in range(trials):
            truth, check = trial(method, age, rng)
            if check is None:
                continue
            apart += not check.agree
            found = {"kh": check.methods[0][1], "sample": check.by_drop, "weighed": check.weighed}
            for name, one in found.items():
                if one is None:
                    continue
                holds[name].append(one.low <= truth <= one.high)
                half[name].append(100 * ((one.high / one.low) ** 0.5 - 1))
            one = check.weighed
            off = abs(np.log(truth / one.value)) / (0.5 * np.log(one.high / one.low))
            worst.append((float(off), f"{method}, {age}: {truth:.0f} mg/L, found {one.value:.0f}"))
        cells = "  ".join(
            f"{np.mean(holds[name]):4.0%} ±{np.median(half[name]):3.0f} %" for name in holds
        )
        old = "never" if age is None else f"{age:.0f} d ago"
        print(f"{method:10} {old:11}  {cells}  {apart / trials:7.1%}")
    print("ten worst of the weighed (distance in half widths):")
    for off, text in sorted(worst, reverse=True)[:10]:
        print(f"  {off:.2f}  {text}")


if __name__ == "__main__":
    main()
