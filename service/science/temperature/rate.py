"""How fast temperature changes: the slope over a trailing window."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.intervals import IntArray, series, steps

BLOCK_WINDOWS = 32
"""Windows per block of sums, see `rate_c_per_h`."""


def rate_c_per_h(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    window_s: float,
    *,
    min_samples: int = 3,
    min_span: float = 0.5,
) -> Floats:
    """Rate of change at each sample: slope of the least-squares line over the window before it.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,).
    window_s: length of the trailing window, both ends included.
    min_samples: fewer samples in the window give NaN; at least 2.
    min_span: samples that cover less than this share of the window give NaN.

    Returns
    -------
    K/h (n,); NaN where the window holds too little, and at samples that are NaN.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, window_s not positive, min_samples below 2.
    """
    window = as_number("window_s", window_s, above=0)
    fewest = int(as_number("min_samples", min_samples, low=2))
    least = as_number("min_span", min_span, low=0, high=1) * window
    everything = np.asarray(temperature_c, dtype=np.float64)
    time, temperature = series("temperature_c", time_s, everything)
    steps(time)  # refuses unsorted time
    slope = np.full(time.size, np.nan)
    first = np.searchsorted(time, time - window, side="left")
    # Sums are taken block by block, about a centre in the block: over the whole series they
    # would lose their digits to cancellation.
    start = 0
    while start < time.size:
        stop = int(np.searchsorted(time, time[start] + BLOCK_WINDOWS * window, side="right"))
        slope[start:stop] = _slopes(time, temperature, first, start, stop)
        start = stop
    here = np.arange(time.size)
    enough = (here - first + 1 >= fewest) & (time - time[first] >= least)
    slope[~enough] = np.nan
    result = np.full(everything.shape, np.nan)
    result[~np.isnan(everything)] = slope
    return result


def _slopes(time: Floats, temperature: Floats, first: IntArray, start: int, stop: int) -> Floats:
    """Least-squares slopes in K/h of the windows that end at samples start..stop-1."""
    base = int(first[start])
    t = (time[base:stop] - time[start]) / SECONDS_PER_HOUR
    y = temperature[base:stop] - temperature[start]
    columns = np.stack((np.ones_like(t), t, y, t * t, t * y))
    sums = np.concatenate((np.zeros((5, 1)), np.cumsum(columns, axis=1)), axis=1)
    end = np.arange(start, stop) - base + 1
    n, st, sy, stt, sty = sums[:, end] - sums[:, first[start:stop] - base]
    spread = stt - st * st / n
    return np.asarray(
        np.divide(sty - st * sy / n, spread, out=np.full(n.shape, np.nan), where=spread > 1e-18)
    )
