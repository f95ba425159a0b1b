"""How many readings a series has in each hour or day, and their sum: what tells rewriting."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from service.derive.models.co2 import Array
from service.science.numeric.sets import union
from service.store.model import Buckets

Times = npt.NDArray[np.int64]


def no_times() -> Times:
    """None."""
    return np.empty(0, np.int64)


def no_values() -> Array:
    """None."""
    return np.empty(0)


@dataclass(frozen=True, slots=True)
class Totals:
    """How many readings a series has in each hour or day, and their sum; empty ones left out."""

    start_us: Times = field(default_factory=no_times)
    count: Times = field(default_factory=no_times)
    total: Array = field(default_factory=no_values)

    @classmethod
    def of(cls, hours_or_days: Buckets) -> Totals:
        """Those of buckets with their sums."""
        return cls(hours_or_days.start_us, hours_or_days.count, hours_or_days.sum)

    def part(self, start_us: int, end_us: int) -> Totals:
        """The spans that begin in [start_us, end_us)."""
        here = slice(*self.start_us.searchsorted((start_us, end_us)))
        return Totals(self.start_us[here], self.count[here], self.total[here])

    def replaced(self, other: Totals, start_us: int, end_us: int) -> Totals:
        """The same with the spans that begin in [start_us, end_us) taken from another."""
        before, after = self.start_us.searchsorted((start_us, end_us))
        return Totals(
            np.concatenate((self.start_us[:before], other.start_us, self.start_us[after:])),
            np.concatenate((self.count[:before], other.count, self.count[after:])),
            np.concatenate((self.total[:before], other.total, self.total[after:])),
        )

    def differing(self, other: Totals) -> Times:
        """Starts of the spans that are not the same in both, in order."""
        mine, theirs = self.start_us, other.start_us
        if len(mine) == len(theirs) and (mine == theirs).all():
            differs = (self.count != other.count) | (self.total != other.total)
            return np.asarray(mine[differs])
        both, at, at_other = np.intersect1d(mine, theirs, assume_unique=True, return_indices=True)
        same = (self.count[at] == other.count[at_other]) & (self.total[at] == other.total[at_other])
        return np.setdiff1d(union(mine, theirs), both[same], assume_unique=True)

    def digest(self) -> int:
        """A number that differs, in all likelihood, where any span does."""
        return hash((self.start_us.tobytes(), self.count.tobytes(), self.total.tobytes()))


def runs(starts_us: Times, span_us: int) -> list[tuple[int, int]]:
    """Start and end of each run of spans without a gap."""
    found: list[tuple[int, int]] = []
    for start_us in starts_us.tolist():
        if found and found[-1][1] == start_us:
            found[-1] = found[-1][0], start_us + span_us
        else:
            found.append((start_us, start_us + span_us))
    return found
