"""How often the intervals of nutrients hold the truth, in invented tanks of several kinds.

Run: ``python tests/bench/nutrients.py`` (pass another number of tanks a kind for a quick look).

The tanks are simulated apart from the estimate (``tests/science/nutrients/simulated.py``).
Nominal is
95 %; the last lines name the ten worst pairs of kind and ion.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from service.science.nutrients.ranges import RANGES
from tests.science.nutrients.simulated import REGIMES, Score, world


def main(tanks: int) -> None:
    """Print the table and the ten worst."""
    worst = []
    print(f"{tanks} tanks a kind; share of true levels and uptakes within 95 % intervals, %;")
    print("median width of the level's interval, % of the range nobody knows better than")
    print(f"{'kind of tank':30s}" + "".join(f"{ion:>22s}" for ion in RANGES))
    for kind, regime in REGIMES.items():
        score = Score()
        for number in range(tanks):
            score.add(world(np.random.default_rng((11, number)), regime))
        cells = []
        for ion in RANGES:
            of_ion = [one for one in score.hits if one[0] == ion]
            level, uptake = (100 * np.mean([one[at] for one in of_ion]) for at in (1, 2))
            width = 100 * np.median([one[3] for one in of_ion])
            cells.append(f"{level:8.1f}{uptake:7.1f}{width:6.0f} ")
            worst.append((level, kind, ion))
        print(f"{kind:30s}" + "".join(cells))
    print("ten worst of the levels:")
    for level, kind, ion in sorted(worst)[:10]:
        print(f"  {level:5.1f} %  {ion:4s} {kind}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
