"""Small drawings over time: points for SVG lines and areas, broken where nothing is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.derive.models.co2 import Array


@dataclass(frozen=True, slots=True)
class Canvas:
    """A drawing in its own units, with the times and the values at its edges.

    Attributes:
        start_s, end_s: at its left and right edge, seconds of any clock.
        low, high: at its lower and upper edge.
    """

    width: float
    height: float
    start_s: float
    end_s: float
    low: float
    high: float

    def x(self, at_s: float) -> float:
        """Where a time lies, kept inside."""
        share = (at_s - self.start_s) / max(self.end_s - self.start_s, 1.0)
        return self.width * min(max(share, 0.0), 1.0)

    def y(self, value: float) -> float:
        """Where a value lies, kept inside."""
        share = (value - self.low) / max(self.high - self.low, 1e-9)
        return self.height * (1 - min(max(share, 0.0), 1.0))

    def curves(self, time_s: Array, value: Array, gap_s: float) -> tuple[str, ...]:
        """Points of each unbroken stretch, for ``polyline``.

        Args:
            value: NaN where it is not known.
            gap_s: a longer step between two known values is not bridged.
        """
        return tuple(
            _text([(self.x(at), self.y(one)) for at, one in stretch])
            for stretch in stretches(time_s, value, gap_s)
        )

    def area(self, time_s: Array, low: Array, high: Array) -> str:
        """Points round the area between two courses, for ``polygon``; all of both is known."""
        upper = [
            (self.x(float(at)), self.y(float(one))) for at, one in zip(time_s, high, strict=True)
        ]
        lower = [
            (self.x(float(at)), self.y(float(one))) for at, one in zip(time_s, low, strict=True)
        ]
        return _text([*upper, *lower[::-1]])

    def range(self, low: float, high: float) -> tuple[float, float]:
        """Top and height of a range of values."""
        top = self.y(high)
        return top, self.y(low) - top


def stretches(time_s: Array, value: Array, gap_s: float) -> list[list[tuple[float, float]]]:
    """The course in pieces of two points and more, broken where nothing is known."""
    known = ~np.isnan(value)
    pairs = [(float(at), float(one)) for at, one in zip(time_s, value, strict=True)]
    pieces: list[list[tuple[float, float]]] = [[]]
    for pair, is_known in zip(pairs, known.tolist(), strict=True):
        if not is_known or (pieces[-1] and pair[0] - pieces[-1][-1][0] > gap_s):
            pieces.append([])
        if is_known:
            pieces[-1].append(pair)
    return [piece for piece in pieces if len(piece) > 1]


def thinned(time_s: Array, value: Array, count: int) -> tuple[Array, Array]:
    """At most so many points, each the mean of those in an equal share of the time."""
    known = ~np.isnan(value)
    time_s, value = time_s[known], value[known]
    if len(time_s) <= count:
        return time_s, value
    edges = np.linspace(time_s[0], time_s[-1], count + 1)[1:-1]
    share = np.searchsorted(edges, time_s, side="right")
    counts = np.bincount(share, minlength=count)
    filled = counts > 0
    means = [
        np.bincount(share, one, minlength=count)[filled] / counts[filled] for one in (time_s, value)
    ]
    return means[0], means[1]


def _text(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
