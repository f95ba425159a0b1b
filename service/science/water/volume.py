"""Volume of water in a tank, from its dimensions and what stands in it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, as_floats, refuse_where

CM3_PER_L = 1000.0

SUBSTRATE_POROSITY = 0.40
"""Share of a bed of gravel or granular soil that is water. Freeze & Cherry 1979, Groundwater,
table 2.4, give 0.25-0.40 for gravel and 0.25-0.50 for sand (from memory)."""


def gross_volume_l(length_cm: ArrayLike, width_cm: ArrayLike, height_cm: ArrayLike) -> Floats:
    """Volume of the box length x width x height, all in cm, in litres.

    OutOfRangeError for a dimension that is not positive.
    """
    length = as_floats("length_cm", length_cm, above=0, unit="cm")
    width = as_floats("width_cm", width_cm, above=0, unit="cm")
    height = as_floats("height_cm", height_cm, above=0, unit="cm")
    return np.asarray(length * width * height / CM3_PER_L)


def net_volume_l(
    length_cm: ArrayLike,
    width_cm: ArrayLike,
    height_cm: ArrayLike,
    *,
    glass_cm: ArrayLike = 0.0,
    fill_height_cm: ArrayLike | None = None,
    substrate_depth_cm: ArrayLike = 0.0,
    substrate_porosity: ArrayLike = SUBSTRATE_POROSITY,
    hardscape_l: ArrayLike = 0.0,
) -> Floats:
    """Water actually in the tank, in litres.

    Parameters
    ----------
    length_cm, width_cm, height_cm: dimensions in cm: inner ones, or outer ones with `glass_cm`.
    glass_cm: thickness of the glass, taken off two walls each way and once off the bottom.
    fill_height_cm: from the bottom pane to the water surface; None = up to the rim.
    substrate_depth_cm: mean depth of the bed, under water.
    substrate_porosity: share of the bed that is water, 0-1.
    hardscape_l: volume of rock and wood above the bed, in litres (weight / density).

    Raises
    ------
    OutOfRangeError: a dimension not positive, glass that leaves no room, a fill height above the
        rim, a bed deeper than the water, a porosity outside 0-1, or displacement that leaves
        no water.
    """
    length = as_floats("length_cm", length_cm, above=0, unit="cm")
    width = as_floats("width_cm", width_cm, above=0, unit="cm")
    height = as_floats("height_cm", height_cm, above=0, unit="cm")
    glass = as_floats("glass_cm", glass_cm, low=0, unit="cm")
    no_room = (2 * glass >= length) | (2 * glass >= width) | (glass >= height)
    refuse_where(no_room, "glass_cm", glass, "panes that leave room between them")
    inner_height = height - glass
    if fill_height_cm is None:
        fill = inner_height
    else:
        fill = as_floats("fill_height_cm", fill_height_cm, above=0, unit="cm")
        over = fill > inner_height * (1 + 1e-12)
        refuse_where(over, "fill_height_cm", fill, "0 to the rim (height less the glass)")
    depth = as_floats("substrate_depth_cm", substrate_depth_cm, low=0)
    refuse_where(depth > fill, "substrate_depth_cm", depth, "0 to the fill height")
    porosity = as_floats("substrate_porosity", substrate_porosity, low=0, high=1)
    hardscape = as_floats("hardscape_l", hardscape_l, low=0)
    area = (length - 2 * glass) * (width - 2 * glass)
    room = area * (fill - depth * (1 - porosity)) / CM3_PER_L
    refuse_where(hardscape >= room, "hardscape_l", hardscape, "0 to the room for water")
    return np.asarray(room - hardscape)
