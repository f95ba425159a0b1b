"""The last days of CO2 as a small drawing for the handover sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from service.advice.handover.sheet import Picture

WIDTH = 600.0
HEIGHT = 90.0
AIR = 1.15
"""The scale reaches so far above the highest of curve and target."""
GAP_S = 3600.0


@dataclass(frozen=True, slots=True)
class Lines:
    """The drawing in its own units: 600 wide, 90 high.

    Attributes:
        curves: points of each unbroken stretch of the curve, for ``polyline``.
        lit: start and width of each lit stretch.
        target: top and height of the range aimed at.
        words: the same in words.
    """

    curves: tuple[str, ...]
    lit: tuple[tuple[float, float], ...]
    target: tuple[float, float]
    words: str


def picture_lines(picture: Picture) -> Lines | None:
    """The drawing of a picture; None where no CO2 is known."""
    known = [float(value) for value in picture.co2_mg_l if not math.isnan(value)]
    if not known:
        return None
    first, last = picture.time[0], picture.time[-1]
    length_s = max((last - first).total_seconds(), 1.0)
    top = AIR * max(*known, picture.target_high_mg_l)

    def x(moment: datetime) -> float:
        share = (moment - first).total_seconds() / length_s
        return WIDTH * min(max(share, 0.0), 1.0)

    def y(value: float) -> float:
        return float(HEIGHT * (1 - value / top))

    high = y(picture.target_high_mg_l)
    words = (
        f"CO2 of the last days: between {min(known):.0f} and {max(known):.0f} mg/L; "
        f"aim while lit: {picture.target_low_mg_l:.0f} to {picture.target_high_mg_l:.0f}"
    )
    return Lines(
        curves=tuple(
            " ".join(f"{x(moment):.1f},{y(value):.1f}" for moment, value in stretch)
            for stretch in _stretches(picture)
        ),
        lit=tuple((x(start), x(end) - x(start)) for start, end in picture.lit),
        target=(high, y(picture.target_low_mg_l) - high),
        words=words,
    )


def _stretches(picture: Picture) -> list[list[tuple[datetime, float]]]:
    """The curve in pieces, broken where nothing is known."""
    pieces: list[list[tuple[datetime, float]]] = [[]]
    for moment, value in zip(picture.time, picture.co2_mg_l.tolist(), strict=True):
        far = pieces[-1] and (moment - pieces[-1][-1][0]).total_seconds() > GAP_S
        if far or math.isnan(value):
            pieces.append([])
        if not math.isnan(value):
            pieces[-1].append((moment, value))
    return [piece for piece in pieces if len(piece) > 1]
