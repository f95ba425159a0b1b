"""The levels between which a lamp is on, found in the readings of some days.

Nothing needs to be known of the lamp: dark and bright come from the readings.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from service.science.light.dose import OFF_LUX
from service.science.numeric.checks import Floats, as_floats
from service.science.numeric.ranks import quantile

ON_SHARE: Final = 0.2
OFF_SHARE: Final = 0.1
"""The light is on above 20 % of the way from dark to bright, off below 10 %: a ramp counts from
where plants begin to use it, and room light stays out. Our choice."""

BRIGHTEST_ON_LUX: Final = 2000.0
"""More than this (about 30 µmol/m²/s) is light to a plant however bright noon is, so that an
overcast day by a window is not taken for a dead lamp. Our choice."""

LEAST_STEP_LUX: Final = 700.0
"""A lamp in steps: a level that it stays at, from this (about 10 µmol/m²/s) on, is light. Our
choice."""

STEP_SHARE: Final = 0.03
"""It stays at it for this share of the time, three quarters of an hour a day; a ramp, a cloud or a
sunrise does not. Our choice."""

STEP_WIDTH: Final = 0.1
"""Levels of one step differ by this share up and down. Our choice."""

STEP_ON_SHARE: Final = 0.7
"""The light is on above this share of its lowest step. Our choice."""

ROOM_LUX: Final = 300.0
"""The light of a lit room stays below this at a tank (EN 12464-1 asks 300 lx where people meet;
from memory), so that it does not lengthen the day of a lamp that is twice as bright."""

ROOM_OFF_SHARE: Final = 0.9
"""Light is off below this share of the on level at least, since room light may remain. Our
choice."""

LEAST_CONTRAST: Final = 3.0
"""Bright must be so many times dark for a lamp to be seen at all. Our choice."""

STEPS_PER_DOUBLING: Final = 16
"""Dark, bright and a lamp's lowest step count as the nearest of so many values from one to twice as
much, 2 % up or down at most: the noise of a sensor then hardly ever moves a level. Our choice."""


class Thresholds(NamedTuple):
    """On and off levels in lx."""

    on_lux: float
    off_lux: float


def thresholds_from_series(lux: ArrayLike) -> Thresholds | None:
    """Find on and off thresholds from the readings of some days.

    Dark is the 10th percentile, bright the 98th: light for half an hour a day is enough to be
    found, single spikes are not. Both are taken `coarse`.

    Parameters
    ----------
    lux: illuminance (n,), of whole days; NaN is left out.

    Returns
    -------
    Thresholds; None if there is no contrast (a dead lamp, a covered sensor, no readings). A
    light that is always on has none either: `ON_LUX` then tells it from the dark.

    Raises
    ------
    OutOfRangeError: negative illuminance.
    """
    level = as_floats("lux", lux, low=0, unit="lx").ravel()
    level = np.sort(level[~np.isnan(level)])
    if not level.size:
        return None
    dark, bright = quantile(level, 0.10), quantile(level, 0.98)
    if bright < OFF_LUX or bright < LEAST_CONTRAST * dark:
        return None
    dark, bright = coarse(dark), coarse(bright)
    on = min(dark + ON_SHARE * (bright - dark), max(BRIGHTEST_ON_LUX, LEAST_CONTRAST * dark))
    step_on = STEP_ON_SHARE * coarse(_lowest_step(level, on))
    if step_on > dark:  # else it is no step of the lamp: it is darker than the dark
        on = min(on, step_on)
    on = max(on, min(ROOM_LUX, bright / 2))
    off = dark + (on - dark) * OFF_SHARE / ON_SHARE
    off = max(off, ROOM_OFF_SHARE * min(on, ROOM_LUX))
    return Thresholds(on, off)


def _lowest_step(ordered: Floats, on_lux: float) -> float:
    """The lowest level below `on_lux` at which the light stays; infinite if there is none."""
    dim = ordered[slice(*np.searchsorted(ordered, (LEAST_STEP_LUX, on_lux)).tolist())]
    upto = np.searchsorted(dim, dim * (1 + STEP_WIDTH) / (1 - STEP_WIDTH), side="right")
    stays = np.flatnonzero(upto - np.arange(dim.size) >= STEP_SHARE * ordered.size)
    return float(dim[stays[0]]) / (1 - STEP_WIDTH) if stays.size else np.inf


def coarse(lux: float) -> float:
    """The nearest of `STEPS_PER_DOUBLING` values from one to twice as much; 0 and infinity stay."""
    if not 0.0 < lux < math.inf:
        return lux
    return math.pow(2.0, round(STEPS_PER_DOUBLING * math.log2(lux)) / STEPS_PER_DOUBLING)
