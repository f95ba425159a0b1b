"""How often the forecast of temperature holds, and whether its probabilities come true.

Run: ``python tests/bench/temperature_forecast.py`` (pass another number of tanks a kind).

The tanks are simulated apart from the forecast (``tests/science/temperature/simulated_days.py``).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.science.temperature.simulated_days import (
    LAWS,
    REGIMES,
    Outcome,
    law_held,
    outcomes,
    simulate,
)

BANDS = ((0.0, 0.05), (0.05, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 1.01))


def main(tanks: int) -> None:
    """Print coverage and calibration."""
    every: list[Outcome] = []
    worst = []
    print(f"{tanks} tanks a kind: crossings within the 95 % interval, %; what came true, %, of the")
    print("times that a probability of so much was stated (how many)")
    heads = "".join(f"{low:6.2f} to {min(high, 1):4.2f}" for low, high in BANDS)
    print(f"{'kind of tank':50s} held {heads}")
    for number, (kind, regime) in enumerate(REGIMES.items()):
        rng = np.random.default_rng((5, number))
        found = outcomes(simulate(regime, tanks, rng), rng)
        every += found
        held = 100 * np.mean([one.held for one in found])
        worst.append((held, kind))
        print(f"{kind:50s}{held:5.1f} {bands(found)}")
    print(f"{'all':50s}{100 * np.mean([one.held for one in every]):5.1f} {bands(every)}")
    for tau_h, noise_c, memory in LAWS:
        rng = np.random.default_rng((6, round(10 * tau_h[0]), round(100 * memory)))
        held = 100 * np.mean(law_held(tau_h, noise_c, memory, tanks, rng))
        kind = f"law alone, {tau_h[0]:g} to {tau_h[1]:g} h, noise {noise_c:g} K, memory {memory:g}"
        worst.append((held, kind))
        print(f"{kind:50s}{held:5.1f}")
    print("ten worst of the coverage:")
    for held, kind in sorted(worst)[:10]:
        print(f"  {held:5.1f} %  {kind}")


def bands(found: list[Outcome]) -> str:
    """What came true in each band of stated probability."""
    cells = []
    for low, high in BANDS:
        here = [np.isfinite(one.truth_h) for one in found if low <= one.probability < high]
        cells.append(f"{100 * np.mean(here):8.0f} ({len(here):3d})" if here else f"{'–':>14s}")
    return "".join(cells)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
