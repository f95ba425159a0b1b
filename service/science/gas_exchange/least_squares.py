"""Robust least squares for the phases of a CO2 series (used by ``fit.py``).

Parameters: ln k20, the night excess a and ln J are common; ln C0 belongs to each phase and is
eliminated from the normal equations (Schur complement). Residuals are those of ln C.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.science.numeric.checks import Floats

NIGHT_EXCESS_PRIOR_MG_L: Final = (1.0, 3.0)
"""Mean and standard deviation expected of the night excess a. It decides only where no night is
long enough to show its floor. Our choice."""

TUKEY_CUT: Final = 4.685
"""Residuals beyond this many standard deviations get no weight (95 % efficiency)."""
HUBER_CUT: Final = 1.345
"""Beyond this many standard deviations a residual counts linearly (95 % efficiency)."""
HUBER_ROUNDS: Final = 5
ROBUST_ROUNDS: Final = 12
MAX_STEPS: Final = 40
LEAST_SCATTER_LN: Final = 1e-4
SANDWICH_PHASES: Final = 5
"""From this many phases on, their scatter is trusted to tell how phases differ."""
MAX_LAG_BINS: Final = 24
LEAST_CORRELATION: Final = 0.05
"""Correlations of residuals are summed up to four hours or until they fall below this."""

LOWER: Final = np.array([np.log(0.005), -0.6, np.log(1e-3)])
UPPER: Final = np.array([np.log(10.0), 30.0, np.log(500.0)])
"""Bounds of (ln k20, a, ln J): anything beyond is no tank."""


@dataclass(frozen=True)
class PhaseData:
    """Bins of all phases, one row each, phases one after the other.

    ``hours`` since the phase began; ``ln_co2``; ``phase`` its number from 0; ``factor`` of k by the
    phase's temperature; ``equilibrium`` with air, mg/L; ``rise`` whether the gas is on.
    """

    hours: Floats
    ln_co2: Floats
    phase: NDArray[np.int64]
    factor: Floats
    equilibrium: Floats
    rise: NDArray[np.bool_]

    @property
    def starts(self) -> NDArray[np.int64]:
        """Row at which each phase begins."""
        return np.flatnonzero(np.diff(self.phase, prepend=-1))


@dataclass(frozen=True)
class Solution:
    """``common`` (ln k20, a, ln J); its ``covariance``; ``scatter`` of ln C, robust."""

    common: Floats
    covariance: Floats
    scatter: float


@dataclass(frozen=True)
class _Normal:
    """Normal equations with ln C0 eliminated: H step = gradient, and what gives ln C0's step."""

    hessian: Floats
    gradient: Floats
    per_phase: Floats  # (P, 3)
    own: Floats  # (P,)
    own_gradient: Floats  # (P,)
    reduced: Floats  # (n, 3), the common columns after elimination


def solve(data: PhaseData, start: Floats) -> Solution:
    """Fit from a first guess of the common parameters, with Huber, then Tukey weights."""
    common = np.clip(start, LOWER, UPPER)
    levels = data.ln_co2[data.starts]
    weights, scatter = np.ones(data.hours.size), 0.1
    for turn in range(ROBUST_ROUNDS):
        common, levels = _levenberg_marquardt(data, common, levels, weights, scatter)
        residual = data.ln_co2 - _model(data, common, levels)[0]
        scatter = max(float(np.median(np.abs(residual))) / 0.6745, LEAST_SCATTER_LN)
        distance = np.abs(residual) / scatter
        # Huber first: Tukey's cut would drop good phases while the parameters are still far off
        weights = _huber(distance) if turn < HUBER_ROUNDS else _tukey(distance)
    return Solution(common, _covariance(data, common, levels, weights, scatter), scatter)


def _huber(distance: Floats) -> Floats:
    return np.asarray(HUBER_CUT / np.maximum(distance, HUBER_CUT))


def _tukey(distance: Floats) -> Floats:
    return np.asarray(np.square(1.0 - np.square(np.minimum(distance / TUKEY_CUT, 1.0))))


def _model(data: PhaseData, common: Floats, levels: Floats) -> tuple[Floats, Floats, Floats]:
    """ln C of every row, and its derivatives by the common (n, 3) and the own parameter (n,)."""
    k = np.exp(common[0]) * data.factor
    lift = np.where(data.rise, np.exp(common[2]) / k, 0.0)
    target = np.maximum(data.equilibrium + common[1], 0.02) + lift
    start = np.exp(levels)[data.phase]
    left = np.exp(-k * data.hours)
    co2 = np.maximum(target + (start - target) * left, 1e-3)
    by_ln_k = -(start - target) * k * data.hours * left - lift * (1.0 - left)
    columns = np.stack([by_ln_k, 1.0 - left, lift * (1.0 - left)], axis=1)
    return np.log(co2), columns / co2[:, None], start * left / co2


def _normal(
    data: PhaseData, common: Floats, levels: Floats, weights: Floats, scatter: float
) -> _Normal:
    ln_co2, columns, own = _model(data, common, levels)
    scale = weights / scatter**2
    residual = data.ln_co2 - ln_co2
    starts = data.starts
    diagonal = np.add.reduceat(scale * own * own, starts) + 1e-9
    cross = np.add.reduceat((scale * own)[:, None] * columns, starts, axis=0)
    own_gradient = np.add.reduceat(scale * own * residual, starts)
    hessian = columns.T @ (scale[:, None] * columns) - cross.T @ (cross / diagonal[:, None])
    gradient = columns.T @ (scale * residual) - cross.T @ (own_gradient / diagonal)
    mean, sd = NIGHT_EXCESS_PRIOR_MG_L
    hessian[1, 1] += 1.0 / sd**2
    gradient[1] += (mean - common[1]) / sd**2
    reduced = columns - own[:, None] * (cross / diagonal[:, None])[data.phase]
    return _Normal(hessian, gradient, cross, diagonal, own_gradient, reduced)


def _cost(
    data: PhaseData, common: Floats, levels: Floats, weights: Floats, scatter: float
) -> float:
    residual = (data.ln_co2 - _model(data, common, levels)[0]) / scatter
    mean, sd = NIGHT_EXCESS_PRIOR_MG_L
    return float(np.sum(weights * np.square(residual)) + ((common[1] - mean) / sd) ** 2)


def _levenberg_marquardt(
    data: PhaseData, common: Floats, levels: Floats, weights: Floats, scatter: float
) -> tuple[Floats, Floats]:
    damping, cost = 1e-3, _cost(data, common, levels, weights, scatter)
    for _ in range(MAX_STEPS):
        normal = _normal(data, common, levels, weights, scatter)
        damped = normal.hessian + np.diag(damping * np.diag(normal.hessian) + 1e-9)
        step = np.clip(np.linalg.solve(damped, normal.gradient), -2.0, 2.0)
        new_common = np.clip(common + step, LOWER, UPPER)
        moved = new_common - common
        own_step = (normal.own_gradient - normal.per_phase @ moved) / normal.own
        new_levels = np.clip(levels + np.clip(own_step, -2.0, 2.0), -7.0, 10.0)
        new_cost = _cost(data, new_common, new_levels, weights, scatter)
        if new_cost > cost:
            damping *= 8.0
            if damping > 1e8:
                break
            continue
        settled = cost - new_cost < 1e-9 * (1.0 + cost)
        common, levels, cost, damping = new_common, new_levels, new_cost, damping * 0.2
        if settled:
            break
    return common, levels


def _covariance(
    data: PhaseData, common: Floats, levels: Floats, weights: Floats, scatter: float
) -> Floats:
    """Covariance of the common parameters.

    Inverse Hessian, widened for residuals that hang together, and per parameter to the
    sandwich estimate over phases where that is larger.
    """
    normal = _normal(data, common, levels, weights, scatter)
    residual = data.ln_co2 - _model(data, common, levels)[0]
    inverse = np.linalg.inv(normal.hessian + 1e-9 * np.eye(3))
    covariance = inverse * _correlation_factor(data, residual * np.sqrt(weights))
    count = data.starts.size
    if count >= SANDWICH_PHASES:
        rows = normal.reduced * (weights * residual / scatter**2)[:, None]
        scores = np.add.reduceat(rows, data.starts, axis=0)
        between = inverse @ (scores.T @ scores) @ inverse * (count / (count - 3.0))
        widen = np.sqrt(np.maximum(np.diag(between) / np.diag(covariance), 1.0))
        covariance = covariance * np.outer(widen, widen)
    return np.asarray(covariance)


def _correlation_factor(data: PhaseData, residual: Floats) -> float:
    """By how much residuals that hang together inflate a variance: 1 + 2 sum of correlations."""
    total = float(np.sum(np.square(residual)))
    if total <= 0.0:
        return 1.0
    factor = 1.0
    for lag in range(1, MAX_LAG_BINS + 1):
        same = data.phase[lag:] == data.phase[:-lag]
        correlation = float(np.sum((residual[lag:] * residual[:-lag])[same])) / total
        if correlation < LEAST_CORRELATION:
            break
        factor += 2.0 * correlation
    return factor
