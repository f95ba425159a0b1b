"""Precision and recall of the spike flags on labelled series, by quantity.

    python -m tests.bench.quality [--seeds 8]

The series are those of ``tests/labelled_series.py``. Precision and recall count readings; events
count excursions of which half of the readings or more are flagged.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from ingest.process.quality.judge import judge
from ingest.process.series import SeriesMemory
from service.store import Flag, Reading
from tests.labelled_series import RIVER_S, SIZES, Bools, Floats, Labelled, all_series

DOUBTED = Flag.SPIKE | Flag.IMPLAUSIBLE
START_US = 1_700_000_000_000_000


@dataclass
class Score:
    """Readings flagged rightly and wrongly, faulty ones, and excursions found of all."""

    hits: int = 0
    false: int = 0
    faulty: int = 0
    found: int = 0
    events: int = 0

    def add(self, labelled: Labelled, flagged: Bools) -> None:
        self.hits += int((flagged & labelled.faulty).sum())
        self.false += int((flagged & ~labelled.faulty).sum())
        self.faulty += int(labelled.faulty.sum())
        count = np.bincount(labelled.fault)
        found = np.bincount(labelled.fault, weights=flagged)
        self.events += count.size - 1
        self.found += int((found[1:] * 2 >= count[1:]).sum())

    @property
    def precision(self) -> float:
        return self.hits / max(1, self.hits + self.false)

    @property
    def recall(self) -> float:
        return self.hits / self.faulty


def flags_of(quantity: str, every_s: int, values: Floats) -> list[Flag]:
    """The flags of each reading once all are judged."""
    memory, flags = SeriesMemory(), {}
    name = ("reed", quantity, "main")
    for index, value in enumerate(values.tolist()):
        time_us = START_US + index * every_s * 1_000_000
        judged = judge(memory.series(name, time_us), Reading(*name, time_us, value), late=False)
        for reading in (judged.reading, *judged.corrected):
            flags[reading.time_us] = reading.flags
    return list(flags.values())


def scores(seeds: range) -> dict[tuple[str, str], Score]:
    """By quantity and place (river, tank)."""
    found: defaultdict[tuple[str, str], Score] = defaultdict(Score)
    for seed in seeds:
        for one in all_series(seed):
            place = "river" if one.every_s == RIVER_S else "tank"
            flags = flags_of(one.quantity, one.every_s, one.value)
            found[one.quantity, place].add(one, np.array([bool(f & DOUBTED) for f in flags]))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    found = scores(range(parser.parse_args().seeds))
    print("| quantity | place | precision | recall | excursions found |\n|---|---|---|---|---|")
    for quantity in SIZES:
        for place in ("river", "tank"):
            score = found[quantity, place]
            print(
                f"| {quantity} | {place} | {score.precision:.3f} | {score.recall:.3f} | "
                f"{score.found} of {score.events} |"
            )


if __name__ == "__main__":
    main()
