"""How often the intervals of a fitted gas exchange hold the truth, in each regime of tank and
probe.

Run: python -m tests.bench.gas_coverage [TANKS] [REGIME...]
Simulated tanks as of ``tests/science/gas_regimes.py``, whose steps are none of the fit's: exchange
by night and by day, injection, and the level that CO2 settles at by day. Prints the share of 95 %
intervals that hold the truth, the ratio of found and true injection, how many were refused, and the
ten worst of all by distance in half widths (of the logarithm).
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from service.science.gas_exchange.plan import gas_plan
from service.science.numeric.estimate import Estimate
from tests.science.gas_regimes import REGIMES, Trial, trials

TANKS = 100


def distances(one: Trial) -> dict[str, float]:
    """How far each truth lies from what was found, in half widths of the interval."""
    fit = one.fit
    assert fit is not None
    day = fit.k20_per_h if fit.day_k20_per_h is None else fit.day_k20_per_h
    found = {"k by night": (fit.k20_per_h, one.k_night), "k by day": (day, one.k_day)}
    if fit.injection_mg_l_h is not None:
        found["J"] = (fit.injection_mg_l_h, one.injection)
        steady = gas_plan(fit, target_mg_l=15.0, volume_l=100.0, gas_hours_per_day=10.0).steady_mg_l
        found["level"] = (steady, one.steady_mg_l)
    return {name: _distance(estimate, truth) for name, (estimate, truth) in found.items()}


def _distance(estimate: Estimate, truth: float) -> float:
    value, low, high = (float(np.log(x)) for x in (estimate.value, estimate.low, estimate.high))
    off = float(np.log(truth)) - value
    return abs(off) / (high - value if off > 0 else value - low)


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TANKS
    worst: list[tuple[float, str]] = []
    names = ("k by night", "k by day", "J", "level")
    print(f"{'regime':24}" + "".join(f"{name:>12}" for name in names) + "   J found/true   refused")
    for number, regime in enumerate(REGIMES):
        if sys.argv[2:] and regime.name not in sys.argv[2:]:
            continue
        made = trials(regime, count=count, seed=1000 + number)
        fitted = [one for one in made if one.fit is not None]
        far = [distances(one) for one in fitted]
        shares = []
        for name in names:
            known = [one[name] for one in far if name in one]
            shares.append(f"{np.mean(np.array(known) <= 1.0):12.0%}" if known else f"{'-':>12}")
            worst += [
                (one[name], f"{regime.name}: {name} of {trial.text}")
                for one, trial in zip(far, fitted, strict=True)
                if name in one
            ]
        ratio = [
            float(one.fit.injection_mg_l_h.value) / one.injection
            for one in fitted
            if one.fit is not None and one.fit.injection_mg_l_h is not None
        ]
        spread = f"{np.mean(ratio):.2f} ± {np.std(ratio):.2f}" if ratio else "-"
        print(
            f"{regime.name:24}{''.join(shares)}   {spread:>12}   {count - len(fitted)} of {count}"
            f", J of {sum(1 for one in fitted if 'J' not in distances(one))}"
        )
        why = Counter(one.reason.split(":")[0].split("(")[0] for one in made if one.reason)
        for reason, times in why.most_common():
            print(f"    {times:3} {reason}")
    print("ten worst (distance in half widths):")
    for distance, text in sorted(worst, reverse=True)[:10]:
        print(f"  {distance:.2f}  {text}")


if __name__ == "__main__":
    main()
