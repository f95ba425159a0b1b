"""How often the interval of an electrode's drift, found from the mornings, holds the true drift.

Run: python -m tests.bench.drift_coverage [TANKS]
Simulated tanks as of ``tests/science/drifting.py``, whose steps are none of the estimate's. For
each drift and time: mean and standard deviation of what was found, half width, share of intervals
that hold the truth, share that exclude 0, and the ten worst of all.
"""

from __future__ import annotations

import sys

import numpy as np

from tests.science.drifting import drifts

TANKS = 200
CASES = tuple((drift, days) for days in (14, 21, 30) for drift in (0.12, 0.05, 0.0, -0.12))


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TANKS
    worst = []
    print("drift, pH  days  found        half    holds   excludes 0  tanks")
    for number, (drift, days) in enumerate(CASES):
        found = drifts(drift, count=count, seed=100 + number, days=days)
        ph = np.array([one.ph for one in found])
        half = np.array([one.high - one.low for one in found]) / 2
        holds = np.abs(ph - drift) <= half
        sure = np.mean([one.certain for one in found])
        print(
            f"{drift:+9.2f}  {days:4}  {ph.mean():+.3f} ± {ph.std():.3f}  {np.median(half):.3f}"
            f"  {holds.mean():6.1%}  {sure:10.0%}  {len(found):5}"
        )
        ratio = np.abs(ph - drift) / half
        worst += [
            (float(r), f"{drift:+.2f} in {days} d: found {p:+.3f} ± {h:.3f}")
            for r, p, h in zip(ratio, ph, half, strict=True)
        ]
    print("ten worst (distance in half widths):")
    for ratio_, text in sorted(worst, reverse=True)[:10]:
        print(f"  {ratio_:.2f}  {text}")


if __name__ == "__main__":
    main()
