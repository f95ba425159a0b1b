"""Exchange coefficient of each night from its decay.

    C(t) = A + (C0 - A) exp(-k t),    A = C_eq + a

k and C0 belong to each night, a, the excess over air that fish, plants and soil uphold, is
common. Residuals are those of ln C, since the error is one of pH; Gauss-Newton with Huber, then
Tukey weights (Holland & Welsch 1977, Commun. Stat. A6:813-827; from memory), all nights at once,
with a eliminated last.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.science.gas_exchange.rows import (
    Rows,
    correlations,
    huber,
    scatter_of,
    slow_share,
    tukey,
)
from service.science.numeric.checks import Floats
from service.science.numeric.ranks import median

NIGHT_EXCESS_PRIOR_MG_L: Final = (1.0, 3.0)
"""Mean and standard deviation expected of the night excess a. It decides only where no night is
long enough to show its floor. Our choice."""
NIGHT_EXCESS_RANGE_MG_L: Final = (-0.6, 30.0)
LN_K_RANGE: Final = (float(np.log(0.005)), float(np.log(10.0)))
SINGLE_LN_K_SD: Final = 1.0
"""How far one night's ln k may lie from the others' before its own bins are asked; a night that
hardly falls stays near them. Our choice."""
LEAST_FALL_LN: Final = 0.3
"""A decay that falls by less than this in ln CO2 tells nothing of k by itself."""
K_RANGE_PER_H: Final = (0.01, 5.0)
HUBER_ROUNDS: Final = 6
ROUNDS: Final = 16
LONGEST_STEP: Final = 0.7

BY_K, BY_START, BY_EXCESS, RESIDUAL = range(4)
"""Columns at each bin: derivatives of ln C by ln k, ln C0 and a, and what the model leaves."""


@dataclass(frozen=True)
class Nights:
    """Nights (P) and what they have in common.

    ``ln_k`` of k20 in 1/h; ``sd`` its own standard deviation in each, with ``by_excess`` how it
    moves with a, per mg/L; ``excess_mg_l`` a; ``excess_sd``; ``scatter`` of ln C.
    """

    ln_k: Floats
    sd: Floats
    by_excess: Floats
    excess_mg_l: float
    excess_sd: float
    scatter: float


def fit_nights(rows: Rows) -> Nights | None:
    """Fit decays; None where CO2 falls clearly in none of them."""
    guess = _first_guess(rows)
    if guess is None:
        return None
    middle = float(np.log(guess))
    ln_k = np.full(len(rows), middle)
    ln_start = np.array(rows.ln_co2[:, 0])
    excess, scatter = NIGHT_EXCESS_PRIOR_MG_L[0], 0.1
    weight = rows.known
    columns = _columns(rows, ln_k, ln_start, excess)
    for turn in range(ROUNDS):
        step = _Step.of(columns, weight / scatter**2, ln_k, excess, middle)
        moved = min(max(step.common, -3.0), 3.0)
        least, most = NIGHT_EXCESS_RANGE_MG_L
        excess = min(max(excess + moved, least), most)
        own = np.clip(step.own, -LONGEST_STEP, LONGEST_STEP)
        ln_k = np.clip(ln_k + own[0], *LN_K_RANGE)
        ln_start = ln_start + own[1]
        columns = _columns(rows, ln_k, ln_start, excess)
        scatter = scatter_of(columns[:, RESIDUAL], rows.known)
        distance = np.abs(columns[:, RESIDUAL]) / scatter
        # Huber first: Tukey's cut would drop good nights while the parameters are still far off
        weight = rows.known * (huber(distance) if turn < HUBER_ROUNDS else tukey(distance))
        middle = median(ln_k)
        if turn > HUBER_ROUNDS + 1 and max(abs(moved), float(np.max(np.abs(own)))) < 1e-4:
            break
    scale = weight / scatter**2
    step = _Step.of(columns, scale, ln_k, excess, middle)
    share = slow_share(columns[:, RESIDUAL] * np.sqrt(weight), rows.known)
    covariance = scatter**2 * correlations(rows.known.shape[1], share)
    own_sd, common_sd = step.sd_of(columns, scale, covariance)
    return Nights(
        ln_k=ln_k,
        sd=own_sd,
        by_excess=-step.shifted[0],
        excess_mg_l=excess,
        excess_sd=common_sd,
        scatter=scatter,
    )


def _columns(rows: Rows, ln_k: Floats, ln_start: Floats, excess: float) -> Floats:
    """Derivatives of ln C, and the residual, (P, 4, n)."""
    floor = np.maximum(rows.air + excess, 0.02)[:, None]
    start = np.exp(ln_start)[:, None]
    gone = np.exp(ln_k)[:, None] * rows.stretched
    left = np.exp(-gone)
    above = (start - floor) * left
    co2 = np.maximum(floor + above, 1e-3)
    columns = np.empty((len(rows), 4, gone.shape[1]))
    columns[:, BY_K] = -above * gone / co2
    columns[:, BY_START] = start * left / co2
    columns[:, BY_EXCESS] = (1.0 - left) / co2
    columns[:, RESIDUAL] = rows.ln_co2 - np.log(co2)
    return columns


@dataclass(frozen=True)
class _Step:
    """A Gauss-Newton step of ln k and ln C0 of each night and of a, which is eliminated last.

    ``own`` (2, P) of ln k and ln C0; ``common`` of a; ``inverse`` of the normal equations of each
    night, its elements (kk, k0, 00), (P,) each; ``shifted`` (2, P) how much less ln k and ln C0 are
    where a is 1 mg/L more; ``hessian`` of a.
    """

    own: Floats
    common: float
    inverse: tuple[Floats, Floats, Floats]
    shifted: Floats
    hessian: float

    @classmethod
    def of(
        cls, columns: Floats, scale: Floats, ln_k: Floats, excess: float, middle: float
    ) -> _Step:
        """The step from where the columns are; ``scale`` weights of the bins, (P, n)."""
        # all sums over bins of products of two columns at once: (P, 3, 4)
        sums = np.matmul(columns[:, :RESIDUAL] * scale[:, None], columns.swapaxes(1, 2))
        of_k = sums[:, BY_K, BY_K] + 1.0 / SINGLE_LN_K_SD**2
        of_start = sums[:, BY_START, BY_START] + 1e-6
        between = sums[:, BY_K, BY_START]
        determinant = of_k * of_start - between**2
        inverse = (of_start / determinant, -between / determinant, of_k / determinant)
        gradient = sums[:, :BY_EXCESS, RESIDUAL].T.copy()
        gradient[0] += (middle - ln_k) / SINGLE_LN_K_SD**2
        coupling = sums[:, :BY_EXCESS, BY_EXCESS].T
        shifted = _times(inverse, coupling)
        mean, sd = NIGHT_EXCESS_PRIOR_MG_L
        hessian = float(sums[:, BY_EXCESS, BY_EXCESS].sum() - np.vdot(coupling, shifted))
        hessian += 1 / sd**2
        right = float(sums[:, BY_EXCESS, RESIDUAL].sum() - np.vdot(shifted, gradient))
        common = (right + (mean - excess) / sd**2) / hessian
        return cls(_times(inverse, gradient) - shifted * common, common, inverse, shifted, hessian)

    def sd_of(self, columns: Floats, scale: Floats, covariance: Floats) -> tuple[Floats, float]:
        """Standard deviations of each ln k with a fixed, and of a (sandwich estimate).

        Parameters
        ----------
        covariance: of the residuals of a phase, (n, n).
        """
        by_k, by_start = columns[:, BY_K], columns[:, BY_START]
        of_k, between, _ = (one[:, None] for one in self.inverse)
        own = (of_k * by_k + between * by_start) * scale
        moved = columns[:, BY_EXCESS] - by_k * self.shifted[0][:, None]
        moved = (moved - by_start * self.shifted[1][:, None]) * scale / self.hessian
        own_variance = np.sum((own @ covariance) * own, axis=1)
        variance = float(np.sum((moved @ covariance) * moved))
        of_prior = (1.0 / (NIGHT_EXCESS_PRIOR_MG_L[1] * self.hessian)) ** 2
        return np.sqrt(own_variance), float(np.sqrt(variance + of_prior))


def _times(symmetric: tuple[Floats, Floats, Floats], vector: Floats) -> Floats:
    """Symmetric matrices by vectors (2, P)."""
    one, between, other = symmetric
    return np.stack(
        (one * vector[0] + between * vector[1], between * vector[0] + other * vector[1])
    )


def _first_guess(rows: Rows) -> float | None:
    """k20 by the median of straight lines through ln(C - C_eq); None if no night falls clearly."""
    co2 = np.exp(rows.ln_co2)
    above = co2 - rows.air[:, None]
    use = (above > np.maximum(0.15 * (above * rows.known).max(axis=1), 0.5)[:, None]) & (
        rows.known > 0.0
    )
    lowest = np.where(rows.known > 0.0, rows.ln_co2, np.inf).min(axis=1)
    clear = (use.sum(axis=1) >= 3) & (rows.ln_co2[:, 0] - lowest >= LEAST_FALL_LN)
    if not clear.any():
        return None
    slope = _slopes(rows.stretched[clear], np.log(np.maximum(above, 1e-6))[clear], use[clear])
    return float(np.clip(median(-slope), *K_RANGE_PER_H))


def _slopes(x: Floats, y: Floats, use: NDArray[np.bool_]) -> Floats:
    """Slope of a straight line through the used values of each row."""
    weight = use.astype(float)
    count = weight.sum(axis=1)
    dx = x - ((x * weight).sum(axis=1) / count)[:, None]
    return np.asarray((dx * y * weight).sum(axis=1) / (np.square(dx) * weight).sum(axis=1))
