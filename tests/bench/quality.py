"""Precision and recall of the spike flags on labelled series, by quantity.

    python -m tests.bench.quality [--seeds 8] [--first 0] [--held-out]

The series are those of ``tests/labelled_series.py``, with ``--held-out`` those of
``tests/labelled_held_out.py``, by kind of fault too. Precision and recall count readings; events
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
from tests.labelled_held_out import held_out
from tests.labelled_series import RIVER_S, Bools, Labelled, all_series

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
        there = count[1:] > 0
        self.events += int(there.sum())
        self.found += int((there & (found[1:] * 2 >= count[1:])).sum())

    @property
    def precision(self) -> float:
        return self.hits / max(1, self.hits + self.false)

    @property
    def recall(self) -> float:
        return self.hits / self.faulty


def flags_of(labelled: Labelled) -> Bools:
    """Which readings are doubted once all are judged."""
    memory, flags = SeriesMemory(), {}
    name = ("reed", labelled.quantity, "main")
    times_s = labelled.time_s
    if times_s is None:
        times_s = np.arange(labelled.value.size) * labelled.every_s
    for second, value in zip(times_s.tolist(), labelled.value.tolist(), strict=True):
        time_us = START_US + second * 1_000_000
        judged = judge(memory.series(name, time_us), Reading(*name, time_us, value), late=False)
        for reading in (judged.reading, *judged.corrected):
            flags[reading.time_us] = reading.flags
    return np.array([bool(flag & DOUBTED) for flag in flags.values()])


def scores(seeds: range) -> dict[tuple[str, str], Score]:
    """By quantity and place (river, tank)."""
    found: defaultdict[tuple[str, str], Score] = defaultdict(Score)
    for seed in seeds:
        for one in all_series(seed):
            place = "river" if one.every_s == RIVER_S else "tank"
            found[one.quantity, place].add(one, flags_of(one))
    return found


def held_out_scores(seeds: range) -> tuple[dict[str, Score], dict[str, Score]]:
    """By quantity, and by kind of fault."""
    by_quantity: defaultdict[str, Score] = defaultdict(Score)
    by_kind: defaultdict[str, Score] = defaultdict(Score)
    for seed in seeds:
        for kind, one in held_out(seed):
            flagged = flags_of(one)
            by_quantity[one.quantity].add(one, flagged)
            by_kind[kind].add(one, flagged)
    return by_quantity, by_kind


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--held-out", action="store_true")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.seeds)
    print("| series | precision | recall | excursions found |\n| --- | --- | --- | --- |")
    if given.held_out:
        by_quantity, by_kind = held_out_scores(seeds)
        rows = {**by_quantity, **by_kind}
    else:
        rows = {f"{quantity}, {place}": one for (quantity, place), one in scores(seeds).items()}
    for name, score in rows.items():
        print(
            f"| {name} | {score.precision:.3f} | {score.recall:.3f} | "
            f"{score.found} of {score.events} |"
        )


if __name__ == "__main__":
    main()
