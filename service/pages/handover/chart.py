"""The last days of CO2 as a small drawing for the handover sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.advice.handover.sheet import Picture
from service.pages.drawings.curves import Canvas

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
    known = picture.co2_mg_l[~np.isnan(picture.co2_mg_l)]
    if not len(known):
        return None
    time_s = np.array([one.timestamp() for one in picture.time])
    top = AIR * max(float(known.max()), picture.target_high_mg_l)
    canvas = Canvas(WIDTH, HEIGHT, float(time_s[0]), float(time_s[-1]), 0.0, top)
    words = (
        f"CO2 of the last days: between {known.min():.0f} and {known.max():.0f} mg/L; "
        f"aim while lit: {picture.target_low_mg_l:.0f} to {picture.target_high_mg_l:.0f}"
    )
    edges = [(canvas.x(a.timestamp()), canvas.x(b.timestamp())) for a, b in picture.lit]
    return Lines(
        curves=canvas.curves(time_s, picture.co2_mg_l, GAP_S),
        lit=tuple((start, end - start) for start, end in edges),
        target=canvas.range(picture.target_low_mg_l, picture.target_high_mg_l),
        words=words,
    )
