"""Volume of water in a tank, from its dimensions and what stands in it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.science.bounds import FloatArray, within

CM3_PER_L = 1000.0

SUBSTRATE_POROSITY = 0.40
"""Share of a bed of gravel or granular soil that is water. Freeze & Cherry 1979, Groundwater,
table 2.4, give 0.25-0.40 for gravel and 0.25-0.50 for sand (from memory)."""


def gross_volume_l(length_cm: ArrayLike, width_cm: ArrayLike, height_cm: ArrayLike) -> FloatArray:
    """Volume of the box length x width x height, all in cm, in litres.

    ValueError for a dimension that is not positive.
    """
    length = within("length_cm", length_cm, above=0)
    width = within("width_cm", width_cm, above=0)
    height = within("height_cm", height_cm, above=0)
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
) -> FloatArray:
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
    ValueError: a dimension not positive, glass that leaves no room, a fill height above the
        rim, a bed deeper than the water, a porosity outside 0-1, or displacement that leaves
        no water.
    """
    glass = within("glass_cm", glass_cm, at_least=0)
    inner_length = within("length_cm less glass", np.asarray(length_cm) - 2 * glass, above=0)
    inner_width = within("width_cm less glass", np.asarray(width_cm) - 2 * glass, above=0)
    inner_height = within("height_cm less glass", np.asarray(height_cm) - glass, above=0)
    fill = (
        inner_height
        if fill_height_cm is None
        else within("fill_height_cm", fill_height_cm, above=0)
    )
    within("rim above fill_height_cm", inner_height - fill, at_least=-1e-9)
    depth = within("substrate_depth_cm", substrate_depth_cm, at_least=0)
    within("water above substrate_depth_cm", fill - depth, at_least=0)
    porosity = within("substrate_porosity", substrate_porosity, at_least=0, at_most=1)
    hardscape = within("hardscape_l", hardscape_l, at_least=0)
    area = inner_length * inner_width
    water = (area * (fill - depth * (1 - porosity))) / CM3_PER_L - hardscape
    return within("net volume in litres", water, above=0)
