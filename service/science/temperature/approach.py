"""Water on its way to an equilibrium: the law fitted to the last hours, and courses drawn from it.

Water that is warmed or cooled by its surroundings goes to equilibrium exponentially (Newton's
law of cooling), and a line is the limit of a very slow approach:

    T(t) = a + b (1 - exp(-k (t - c))) / k,    k >= 0, t > c;    a before

c is when it began: before the samples, or among them, as where a heater fails. a and b follow by
generalised least squares for each k, c and autocorrelation of the noise of a grid (whitened as by
Prais & Winsten 1954, from memory). Each is weighted by its restricted likelihood (Patterson &
Thompson 1971, from memory), with the variance unknown (Student's t), so the courses spread where
the curvature is not known yet, which an extrapolated line hides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.numeric.checks import Floats
from service.science.numeric.sets import numbered

RESOLUTION_C: Final = 0.02
"""Least standard deviation assumed for a sample: a probe that reads the same twice is still
no better than its step (0.0625 K in the common digital probe, uniform: 0.018 K)."""

TIME_CONSTANTS_H: Final = np.geomspace(0.8, 100.0, 15)
"""Time constants 1/k tried, beside a straight line, which gets as much weight beforehand as all of
them together. A box of water that loses 10 W/m²/K through all its faces (glass in still air, from
memory) has about 5 h at 20 L, 12 h at 180 L and 20 h at 1000 L; a fan, a small tank or a chiller
make it one to three."""

LINE_K: Final = 1e-6
"""The rate, 1/h, that stands for a straight line."""

FINER: Final = 12
"""Time constants between those of the grid that count, tried in a second pass."""

LEAST_WEIGHT: Final = 1e-3
"""Time constants of less weight than this are not looked at more closely."""

AUTOCORRELATIONS: Final = np.array([0.0, 0.4, 0.7, 0.9])
"""Of the noise, from one bin to the next. All alike beforehand."""

BEGAN_SHARES: Final = np.array([0.0, 0.2, 0.4, 0.6, 0.8])
"""When it began, as a share of the samples' time; the first, before them, gets as much weight as
all the others together."""


@dataclass(frozen=True)
class ApproachFits:
    """Hours are since the last sample.

    `k` and `began` have an element per time constant and beginning, the others one per
    autocorrelation of each, (elements,).
    `root` is the lower Cholesky factor of the covariance of level and rate, (elements, 2, 2).
    `log_evidence` is the logarithm of the likelihood of all together.
    """

    k: Floats
    began: Floats
    weight: Floats
    level: Floats
    rate: Floats
    root: Floats
    degrees_of_freedom: int
    log_evidence: float


def fit_approach(hours: Floats, temperature: Floats) -> ApproachFits:
    """Fit the law to evenly binned samples (n,) of at least 8; hours are 0 or less."""
    k = np.append(1.0 / TIME_CONSTANTS_H, LINE_K)
    prior = np.append(np.full(k.size - 1, 1.0 / (k.size - 1)), 1.0)
    found = _fitted(k, prior, hours, temperature)
    of_k = found.weight.reshape(k.size, -1).sum(axis=1)[:-1]
    counts = np.flatnonzero(of_k > LEAST_WEIGHT)
    if not counts.size:
        return found
    # Precise samples tell time constants apart that lie between those of the grid.
    first, last = max(counts[0] - 1, 0), min(counts[-1] + 1, of_k.size - 1)
    finer = np.geomspace(k[first], k[last], FINER * int(last - first) // 2 + 1)
    share = (last - first) / of_k.size / finer.size
    return _fitted(
        np.append(finer, LINE_K), np.append(np.full(finer.size, share), 1.0), hours, temperature
    )


def _fitted(k_tried: Floats, prior: Floats, hours: Floats, temperature: Floats) -> ApproachFits:
    """Fit the law for some time constants, with their weights beforehand.

    Rows are the time constants by the beginnings, columns the autocorrelations.
    """
    k, began = (
        each.ravel() for each in np.meshgrid(k_tried, hours[0] * (1 - BEGAN_SHARES), indexing="ij")
    )
    early = np.where(BEGAN_SHARES > 0, 1.0, BEGAN_SHARES.size - 1)
    prior = (prior[:, None] * early).reshape(-1, 1)
    one, seen = np.ones_like(hours), temperature - temperature.mean()
    shape = _shape(k, began, hours)
    aa, ab, bb = _whitened(one, one), _whitened(one, shape), _whitened(shape, shape)
    ya, yb, yy = _whitened(seen, one), _whitened(seen, shape), _whitened(seen, seen)
    determinant = aa * bb - ab**2
    level = (ya * bb - yb * ab) / determinant
    rate = (yb * aa - ya * ab) / determinant
    n = hours.size
    least = (n - 2) * RESOLUTION_C**2 * (1 + AUTOCORRELATIONS**2)  # white noise, whitened
    squares = np.maximum(yy - level * ya - rate * yb, least)
    # Restricted likelihood: noise that level and rate take up must not pass for less of it.
    log_weight = (
        -(n - 2) / 2 * np.log(squares)
        + np.log1p(-(AUTOCORRELATIONS**2)) / 2
        - np.log(determinant / determinant[:, :1]) / 2
    )
    weight = prior / prior.sum() / AUTOCORRELATIONS.size * np.exp(log_weight - log_weight.max())
    log_evidence = float(np.log(weight.sum()) + log_weight.max())
    variance = squares / (n - 2)
    root = np.zeros((*squares.shape, 2, 2))
    root[..., 0, 0] = np.sqrt(variance * bb / determinant)
    root[..., 1, 0] = -variance * ab / determinant / root[..., 0, 0]
    root[..., 1, 1] = np.sqrt(np.maximum(variance * aa / determinant - root[..., 1, 0] ** 2, 0.0))
    return ApproachFits(
        k,
        began,
        (weight / weight.sum()).ravel(),
        level.ravel() + temperature.mean(),
        rate.ravel(),
        root.reshape(-1, 2, 2),
        n - 2,
        log_evidence,
    )


def drawn_courses(
    fits: ApproachFits,
    ahead_h: Floats,
    wanted: npt.NDArray[np.bool_],
    rng: np.random.Generator,
) -> Floats:
    """Courses of temperature that the samples allow, (wanted, ahead).

    One is drawn for each element of `wanted`, so that the draws are the same whichever are wanted.
    """
    draws = wanted.size
    chosen = rng.choice(fits.weight.size, draws, p=fits.weight)
    degrees = fits.degrees_of_freedom
    scale = np.sqrt(degrees / rng.chisquare(degrees, draws))
    off = np.einsum("nij,nj->ni", fits.root[chosen], rng.standard_normal((draws, 2)))
    level = (fits.level[chosen] + scale * off[:, 0])[wanted]
    rate = (fits.rate[chosen] + scale * off[:, 1])[wanted]
    row, of_row = numbered(chosen[wanted] // AUTOCORRELATIONS.size)
    courses = _shape(fits.k[row], fits.began[row], ahead_h)[of_row]
    courses *= rate[:, None]  # in place: these are the largest arrays of a look at a tank
    courses += level[:, None]
    return courses


def _shape(k: Floats, began: Floats, hours: Floats) -> Floats:
    """What a rate of one makes of each time constant and beginning, (rows, hours)."""
    since = np.maximum(hours - began[:, None], 0.0)
    return np.asarray(-np.expm1(-k[:, None] * since) / k[:, None])


def _whitened(one: Floats, other: Floats) -> Floats:
    """Products of samples, (n,) or (rows, n), whitened of AR(1) noise: (rows, autocorrelations).

    The inverse of the covariance of such noise has three diagonals.
    """
    product = one * other
    lagged = one[..., 1:] * other[..., :-1] + one[..., :-1] * other[..., 1:]
    whole, beside, inner = (
        each.sum(axis=-1)[..., None] for each in (product, lagged, product[..., 1:-1])
    )
    return np.asarray(whole - AUTOCORRELATIONS * beside + AUTOCORRELATIONS**2 * inner)
