"""Several estimates of one quantity weighed into one, where they share errors.

Each estimate is a logarithm and how it moves with each source of error, in standard deviations of
that source. Two that move with the same source (the same probe, the same test kit) are correlated
by it, and weighing them takes nothing off what they share. The weights are those of least variance
(best linear unbiased estimate, Aitken 1935, Proc. R. Soc. Edinb. 55:42-48; from memory). Whether
the estimates agree is judged by their distances from the mean in units of what they do not share
(chi-square, Birge 1932, Phys. Rev. 40:207-227; from memory): where they do not, one of them is
wrong and the numbers do not tell which, so that the interval covers all of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.science.numeric.checks import Floats, OutOfRangeError
from service.science.numeric.estimate import Z95

CHI_SQUARE_95: Final = (3.841, 5.991, 7.815)
"""95 % quantiles of chi-square for 1 to 3 degrees of freedom (any table)."""

_OWN_VARIANCE: Final = 1e-8
"""A trace of error of its own keeps estimates that share all of theirs apart."""


@dataclass(frozen=True)
class OneEstimate:
    """An estimate: ``method`` a word; ``ln_value``; ``moved_by`` source of error -> how ln_value
    moves with one standard deviation of it."""

    method: str
    ln_value: float
    moved_by: Mapping[str, float]

    @property
    def log_sd(self) -> float:
        """Standard deviation of the logarithm."""
        return math.sqrt(self.log_variance)

    @property
    def log_variance(self) -> float:
        """Variance of the logarithm."""
        return sum(move * move for move in self.moved_by.values())

    @property
    def interval(self) -> tuple[float, float, float]:
        """Value with the limits of 95 %."""
        return _interval(self.ln_value, self.log_sd)

    def without(self, shares: Mapping[str, float]) -> OneEstimate:
        """The estimate as it would be if sources of error were smaller by factors."""
        moved = {name: move * shares.get(name, 1.0) for name, move in self.moved_by.items()}
        return replace(self, moved_by=moved)


@dataclass(frozen=True)
class Weighed:
    """One estimate from several.

    ``value``, ``low``, ``high`` with 95 %; ``weights`` by method, sum 1 (one that moves with a
    shared error more than another may have a weight below 0); ``agree`` whether the estimates do;
    ``log_sd`` of the weighed mean where they agree.
    """

    value: float
    low: float
    high: float
    weights: Mapping[str, float]
    agree: bool
    log_sd: float

    @property
    def percent(self) -> float:
        """Half width of the interval, %: the mean of either side, by ratio."""
        return 100.0 * (math.sqrt(self.high / self.low) - 1.0)


def weigh(estimates: Sequence[OneEstimate]) -> Weighed:
    """Weigh one to four estimates of one quantity.

    Raises
    ------
    OutOfRangeError: none or more are given, or one has no error at all.
    """
    if not 1 <= len(estimates) <= len(CHI_SQUARE_95) + 1:
        raise OutOfRangeError("estimates", len(estimates), f"1 to {len(CHI_SQUARE_95) + 1}")
    if any(one.log_variance <= 0.0 for one in estimates):
        raise OutOfRangeError("moved_by", "no error", "errors above 0")
    if len(estimates) == 1:
        return _alone(estimates[0])
    ln_values = np.array([one.ln_value for one in estimates])
    covariance = _covariance(estimates)
    inverse = np.linalg.inv(covariance)
    row = inverse.sum(axis=0)
    weights = row / row.sum()
    mean = float(weights @ ln_values)
    log_sd = float(np.sqrt(weights @ covariance @ weights))
    apart = ln_values - mean
    agree = float(apart @ inverse @ apart) <= CHI_SQUARE_95[len(estimates) - 2]
    value, low, high = _interval(mean, log_sd)
    if not agree:
        ends = [one.interval for one in estimates]
        low, high = min(one[1] for one in ends), max(one[2] for one in ends)
        value = float(np.sqrt(min(one[0] for one in ends) * max(one[0] for one in ends)))
    by_method = {one.method: float(w) for one, w in zip(estimates, weights, strict=True)}
    return Weighed(value, low, high, by_method, agree, log_sd)


def _alone(one: OneEstimate) -> Weighed:
    """One estimate as what is left of weighing it, without matrices."""
    log_sd = math.sqrt(one.log_variance + _OWN_VARIANCE)
    return Weighed(*_interval(one.ln_value, log_sd), {one.method: 1.0}, True, log_sd)


def apart(one: OneEstimate, other: OneEstimate) -> float:
    """How far one lies above another, in standard deviations of what they do not share."""
    covariance = _covariance([one, other])
    variance = covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1]
    return (one.ln_value - other.ln_value) / float(np.sqrt(max(variance, 1e-12)))


def _covariance(estimates: Sequence[OneEstimate]) -> Floats:
    sources = sorted({name for one in estimates for name in one.moved_by})
    moves = np.array([[one.moved_by.get(name, 0.0) for name in sources] for one in estimates])
    return np.asarray(moves @ moves.T + _OWN_VARIANCE * np.eye(len(estimates)))


def _interval(ln_value: float, log_sd: float) -> tuple[float, float, float]:
    reach = Z95 * log_sd
    return math.exp(ln_value), math.exp(ln_value - reach), math.exp(ln_value + reach)
