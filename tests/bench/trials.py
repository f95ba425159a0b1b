"""How often the interval of a trial holds the true effect, on full simulated tanks.

Run: python -m tests.bench.trials [TRIALS]
     python -m tests.bench.trials series [SERIES]
Each trial is an invented tank with its sensors, weekly water changes, an injection that wanders
from day to day and days on which the pH probe falls silent. The same tank without the change is
the truth. For each watched value and kind of trial: share of intervals that hold the truth, share
of "no difference seen", the usual width and the likeness of neighbouring days; beside it a t test
of the means, and blocks of three days resampled (Künsch 1989). With ``series`` the interval alone
is tried, on series of normal numbers whose days resemble each other by a known amount.
"""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from service.science.numeric.before_after import WEEK, before_after
from tests.advice.trials.simulated import (
    BOTH,
    CASES,
    DAYS_AFTER,
    DAYS_BEFORE,
    Outcome,
    outcomes,
    summary,
)

TRIALS = 500
LIKENESS = (0.0, 0.3, 0.6, 0.8)


def main() -> None:
    """Print the table."""
    if sys.argv[1:2] == ["series"]:
        by_likeness(int(sys.argv[2]) if len(sys.argv) > 2 else TRIALS)
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    print(BOTH)
    for number, case in enumerate(CASES):
        by_name: dict[str, list[Outcome]] = defaultdict(list)
        for one in outcomes(case, count, seed=1000 * number):
            by_name[one.watched].append(one)
        for ones in by_name.values():
            print(summary(case, ones), flush=True)


def by_likeness(count: int) -> None:
    """Print how often the interval holds 0 where nothing was changed, by likeness of the days."""
    days = np.array([day for day in range(-DAYS_BEFORE, DAYS_AFTER + 1) if day], np.float64)
    days += 10 * WEEK
    dice = np.random.default_rng(1)
    for likeness in LIKENESS:
        cause = np.linalg.cholesky(likeness ** np.abs(days[:, None] - days[None, :]))
        series = dice.normal(size=(count, days.size)) @ cause.T
        found = [before_after(days, one, 10 * WEEK) for one in series]
        holds = np.mean([one is not None and one.low <= 0 <= one.high for one in found])
        print(f"likeness {likeness:.1f}: holds it in {holds:.1%} of {count}", flush=True)


if __name__ == "__main__":
    main()
