"""When a temperature that is on the move will reach a limit, if things stay as they are.

Water that is warmed or cooled by its surroundings goes to equilibrium exponentially (Newton's
law of cooling), and a line is the limit of a very slow approach:

    T(t) = a + b (1 - exp(-k t)) / k,    k >= 0

a and b follow by least squares for each k of a grid. Every k is weighted by how well it fits,
so the answer is wide where the curvature is not known yet, which an extrapolated line hides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.intervals import series, steps

WINDOW_S: Final = 3 * 3600.0
HORIZON_S: Final = 12 * 3600.0
MAX_POINTS: Final = 36
"""Samples are averaged into at most so many bins: noise that hangs together over a few minutes
then hardly does from bin to bin."""

MIN_POINTS: Final = 8
MIN_SPAN: Final = 0.5
"""Share of the window the samples must cover. Our choice."""

RESOLUTION_C: Final = 0.02
"""Least standard deviation assumed for a sample: a probe that reads the same twice is still
no better than its step (0.0625 K in the common digital probe, uniform: 0.018 K)."""

TIME_CONSTANTS_H: Final = np.concatenate((np.geomspace(3.0, 100.0, 16), [1e6]))
"""Time constants 1/k tried; the last is a straight line, which gets as much weight beforehand
as all the others together. A box of water that loses 10 W/m²/K through all its faces (glass in
still air, from memory) has about 5 h at 20 L, 12 h at 180 L and 20 h at 1000 L."""

PRIOR: Final = np.where(TIME_CONSTANTS_H > 1e3, TIME_CONSTANTS_H.size - 1.0, 1.0)

_ERF = np.frompyfunc(math.erf, 1, 1)


@dataclass(frozen=True)
class Crossing:
    """When temperature reaches a limit: unix seconds, median and central 95 %.

    `math.inf` stands for "not within the horizon". `probability` is that of reaching the
    limit within the horizon.
    """

    limit_c: float
    at_s: float
    earliest_s: float
    latest_s: float
    probability: float


class _Fits(NamedTuple):
    """One element per time constant; hours since the last sample."""

    k: Floats
    weight: Floats
    level: Floats
    rate: Floats
    var_level: Floats
    var_rate: Floats
    covariance: Floats


def forecast_crossing(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    limit_c: float,
    *,
    window_s: float = WINDOW_S,
    horizon_s: float = HORIZON_S,
) -> Crossing | None:
    """Forecast when temperature reaches `limit_c`, from the samples of the last `window_s`.

    Holds only as long as what drives the temperature stays as it was in the window: a lamp,
    heater or sun that changes makes it void.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    limit_c: the limit in °C, above or below the present temperature.
    window_s: stretch before the last sample that is fitted.
    horizon_s: how far to look beyond the last sample.

    Returns
    -------
    Crossing; None if fewer than 8 samples or less than half of the window are there, or if
    the limit is out of reach within the horizon (probability below 2.5 %).

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, window or horizon not positive.
    """
    window = as_number("window_s", window_s, above=0, unit="s")
    horizon = as_number("horizon_s", horizon_s, above=0, unit="s")
    limit = as_number("limit_c", limit_c, unit="°C")
    time, temperature = series("temperature_c", time_s, temperature_c)
    steps(time)  # refuses unsorted time
    if not time.size:
        return None
    recent = time >= time[-1] - window
    now, time, temperature = float(time[-1]), time[recent], temperature[recent]
    if time.size < MIN_POINTS or now - time[0] < MIN_SPAN * window:
        return None
    fits = _fit(*binned((time - now) / SECONDS_PER_HOUR, temperature))
    side = 1.0 if limit >= float(np.dot(fits.weight, fits.level)) else -1.0

    ahead = np.linspace(0.0, horizon / SECONDS_PER_HOUR, 721)
    crossed = np.maximum.accumulate(_crossed(fits, ahead, limit, side))
    if crossed[-1] < 0.025:
        return None
    earliest, middle, latest = (
        now + SECONDS_PER_HOUR * _first_at(ahead, crossed, share) for share in (0.025, 0.5, 0.975)
    )
    return Crossing(limit, middle, earliest, latest, float(crossed[-1]))


def binned(hours: Floats, temperature: Floats) -> tuple[Floats, Floats]:
    """Average into at most MAX_POINTS bins of equal time."""
    if hours.size <= MAX_POINTS:
        return hours, temperature
    edges = np.linspace(hours[0], 0.0, MAX_POINTS + 1)[1:-1]
    of_bin = np.searchsorted(edges, hours, side="right")
    count = np.bincount(of_bin, minlength=MAX_POINTS)
    filled = count > 0
    means = (np.bincount(of_bin, weights=x, minlength=MAX_POINTS) for x in (hours, temperature))
    mean_hours, mean_temperature = (each[filled] / count[filled] for each in means)
    return mean_hours, mean_temperature


def _fit(hours: Floats, temperature: Floats) -> _Fits:
    """Least squares for each time constant; weights from the likelihood of each."""
    k = 1.0 / TIME_CONSTANTS_H
    shape = -np.expm1(-k[:, None] * hours) / k[:, None]
    n = hours.size
    middle = shape.mean(axis=1)
    spread = ((shape - middle[:, None]) ** 2).sum(axis=1)
    centred = temperature - temperature.mean()
    rate = (shape - middle[:, None]) @ centred / spread
    residual = centred - rate[:, None] * (shape - middle[:, None])
    squares = (residual**2).sum(axis=1)
    best = residual[int(np.argmin(squares))]
    variance = max(float(squares.min()) / max(n - 3, 1), RESOLUTION_C**2)
    # Residuals that hang together carry less information than their number says.
    lag = float(np.dot(best[1:], best[:-1]) / max(float(np.dot(best, best)), 1e-12))
    thinning = (1 + max(lag, 0.0)) / (1 - min(max(lag, 0.0), 0.95))
    log_weight = -(squares - squares.min()) / (2 * variance * thinning)
    weight = PRIOR * np.exp(log_weight)
    var_rate = thinning * variance / spread
    return _Fits(
        k=k,
        weight=weight / weight.sum(),
        level=temperature.mean() - rate * middle,
        rate=rate,
        var_level=thinning * variance / n + var_rate * middle**2,
        var_rate=var_rate,
        covariance=-var_rate * middle,
    )


def _crossed(fits: _Fits, ahead_h: Floats, limit_c: float, side: float) -> Floats:
    """Probability that temperature is beyond the limit at each moment ahead."""
    shape = -np.expm1(-fits.k[:, None] * ahead_h) / fits.k[:, None]
    mean = fits.level[:, None] + fits.rate[:, None] * shape
    variance = (
        fits.var_level[:, None]
        + 2 * fits.covariance[:, None] * shape
        + fits.var_rate[:, None] * shape**2
    )
    distance = side * (mean - limit_c) / np.sqrt(2 * np.maximum(variance, 1e-12))
    beyond = 0.5 * (1 + _ERF(distance).astype(np.float64))
    return np.asarray(fits.weight @ beyond)


def _first_at(ahead_h: Floats, crossed: Floats, share: float) -> float:
    """Hours until the probability first reaches `share`; inf if it does not."""
    if crossed[-1] < share:
        return math.inf
    return float(ahead_h[int(np.searchsorted(crossed, share))])
