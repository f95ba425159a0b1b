"""By how much a daily value differs after a change from before, in short, correlated series.

The values of days are a level, a step at the change, a weekday pattern and errors of which each
resembles the day before's (first-order autoregression, exact over days that are missing):

    y(d) = level + step * (d after the change) + pattern(weekday of d) + e(d)
    corr(e(d), e(d')) = r ** |d - d'|

The pattern is random with a variance of its own, so that few days do not pretend to know it.
Level, step and scale have the flat prior of Zellner & Tiao 1964 (J. Am. Stat. Assoc. 59:763-778); r
and the share of the pattern are not estimated but averaged over, each value weighed by how well it
explains the days. So the interval of the step is that of a mixture of Student's t, and knows
that two weeks hardly tell how much days resemble each other. Means of the two sides with a t test
are too sure of such series (Zwiers & von Storch 1995, J. Climate 8:336-351), and so are blocks
resampled (Künsch 1989, Ann. Statist. 17:1217-1241) where there are but four of them:
``tests/bench/trials.py`` compares. The sources are cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, OutOfRangeError, as_floats
from service.science.numeric.estimate import students_t_cdf

LEAST_DAYS: Final = 5
"""Days with a value that are needed on each side."""

LIKENESS: Final = np.linspace(0.0, 0.95, 20)
"""Values of r that are averaged over: from days that know nothing of each other to a slow drift."""

PATTERN: Final = np.array([0.0, 0.15, 0.5, 1.5, 5.0])
"""Variance of the weekday pattern against that of the errors. Our choice."""


def pattern_weight(pattern: Floats) -> Floats:
    """Weight of a pattern before the days are seen: one stronger than the errors is rare.

    Our choice, by simulation: with all weights alike a strong pattern took too much of the
    likeness of the days, and intervals were too narrow.
    """
    return np.asarray(1.0 / (1.0 + 2.0 * pattern))


WEEK: Final = 7

SURE: Final = 0.98
"""People look more than once, and at several values: the chance that one of the looks finds what is
not there is held down by a wider interval than the one that is shown. Our choice."""


@dataclass(frozen=True, slots=True)
class Difference:
    """After minus before, with its 95 % interval.

    Attributes
    ----------
    before, after: means of the days of each side, as they are.
    step: the difference, days of one weekday against the same and days that resemble each other.
    days_before, days_after: days that count.
    likeness: r, its mean by what the days say.
    sure: whether a wider interval, of ``SURE``, excludes 0.
    """

    before: float
    after: float
    step: float
    low: float
    high: float
    days_before: int
    days_after: int
    likeness: float
    sure: bool

    @property
    def half_width(self) -> float:
        """Half of the interval: about the least difference that would have shown."""
        return (self.high - self.low) / 2


def before_after(
    day: ArrayLike,
    value: ArrayLike,
    changed: int,
    *,
    likeness: Floats = LIKENESS,
    pattern: Floats = PATTERN,
) -> Difference | None:
    """Compare the days from a change on with those before.

    Parameters
    ----------
    day: (n,) whole days since a Monday, ascending; those missing are missing.
    value: (n,) of each day, in any unit; NaN where not known.
    changed: first day after the change.
    likeness, pattern: values of r, and variances of the weekday pattern, that are averaged over.

    Returns
    -------
    None where fewer than ``LEAST_DAYS`` of a side are known.

    Raises
    ------
    OutOfRangeError: shapes that differ, days that do not ascend.
    """
    days, values = as_floats("day", day), np.asarray(value, np.float64)
    if days.ndim != 1 or days.shape != values.shape:
        raise OutOfRangeError("value", values.shape, f"as many as days, {days.shape}")
    if np.any(np.diff(days) <= 0):
        raise OutOfRangeError("day", "not ascending", "ascending")
    known = np.isfinite(values)
    days, values = days[known], values[known]
    later = days >= changed
    after, before = int(later.sum()), int((~later).sum())
    if min(after, before) < LEAST_DAYS:
        return None
    means = float(values[~later].mean()), float(values[later].mean())
    scale = float(values[later].std() + values[~later].std())
    if scale <= 1e-12 * max(abs(means[0]), abs(means[1]), 1e-300):
        step = means[1] - means[0]  # constant on both sides: nothing to estimate a spread from
        return Difference(*means, step, step, step, before, after, 0.0, step != 0.0)
    centre = float(values.mean())
    mixture = _mixture(days, (values - centre) / scale, later, likeness, pattern)
    low, middle, high = (scale * mixture.quantile(at) for at in (0.025, 0.5, 0.975))
    sure = not (1 - SURE) / 2 < mixture.below_zero() < (1 + SURE) / 2
    return Difference(*means, middle, low, high, before, after, mixture.likeness, sure)


@dataclass(frozen=True, slots=True)
class _Mixture:
    """Student's t distributions of one number of degrees of freedom, weighed."""

    weight: Floats
    centre: Floats
    spread: Floats
    degrees: int
    likeness: float

    def below_zero(self) -> float:
        """Probability of a value below 0."""
        return float((self.weight * students_t_cdf(-self.centre / self.spread, self.degrees)).sum())

    def quantile(self, probability: float) -> float:
        reach = 60.0 * float(self.spread.max())
        low, high = float(self.centre.min()) - reach, float(self.centre.max()) + reach
        for _ in range(60):
            middle = (low + high) / 2
            below = students_t_cdf((middle - self.centre) / self.spread, self.degrees)
            if float((self.weight * below).sum()) < probability:
                low = middle
            else:
                high = middle
        return (low + high) / 2


def _mixture(
    days: Floats,
    values: Floats,
    later: npt.NDArray[np.bool_],
    likeness: Floats,
    pattern: Floats,
) -> _Mixture:
    """The step given each likeness and pattern, and how well each explains the days."""
    r, share = (one.ravel() for one in np.meshgrid(likeness, pattern, indexing="ij"))
    apart = np.abs(days[:, None] - days[None, :])
    same = (apart % WEEK == 0).astype(np.float64)
    covariance = r[:, None, None] ** apart + share[:, None, None] * same
    lower = np.linalg.cholesky(covariance + 1e-9 * np.eye(days.size))
    design = np.column_stack([np.ones_like(values), later.astype(np.float64), values])
    white = np.linalg.solve(lower, np.broadcast_to(design, (r.size, *design.shape)))
    x, y = white[:, :, :2], white[:, :, 2]
    normal = np.einsum("kij,kil->kjl", x, x)
    inverse = np.linalg.inv(normal)
    beta = np.einsum("kjl,kil,ki->kj", inverse, x, y)
    rest = np.square(y - np.einsum("kij,kj->ki", x, beta)).sum(axis=1)
    degrees = days.size - 2
    log_weight = -np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
    log_weight -= 0.5 * np.linalg.slogdet(normal)[1] + 0.5 * degrees * np.log(rest)
    weight = np.exp(log_weight - log_weight.max()) * pattern_weight(share)
    weight /= weight.sum()
    spread = np.sqrt(rest / degrees * inverse[:, 1, 1])
    return _Mixture(weight, beta[:, 1], spread, degrees, float((weight * r).sum()))
