"""How often the interval of a trial holds the true effect, on full simulated tanks.

Run: python -m tests.bench.trials [TRIALS]
Each trial is an invented tank with its sensors, weekly water changes, an injection that wanders
from day to day and days on which the pH probe falls silent. The same tank without the change is
the truth. For each watched value and kind of trial: share of intervals that hold the truth, share
of "no difference seen", the usual width and the likeness of neighbouring days; beside it a t test
of the means, and blocks of three days resampled (Künsch 1989).
"""

from __future__ import annotations

import sys
from collections import defaultdict

from tests.advice.trials.simulated import BOTH, CASES, Outcome, outcomes, summary

TRIALS = 500


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    print(BOTH)
    for number, case in enumerate(CASES):
        by_name: dict[str, list[Outcome]] = defaultdict(list)
        for one in outcomes(case, count, seed=1000 * number):
            by_name[one.watched].append(one)
        for ones in by_name.values():
            print(summary(case, ones), flush=True)


if __name__ == "__main__":
    main()
