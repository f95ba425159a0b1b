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
    for turn in range(ROUNDS):
        step = _step(rows, ln_k, ln_start, excess, weight / scatter**2, middle)
        moved = np.clip(step.common, -3.0, 3.0)
        excess = float(np.clip(excess + moved, *NIGHT_EXCESS_RANGE_MG_L))
        own = np.clip(step.own, -LONGEST_STEP, LONGEST_STEP)
        ln_k = np.clip(ln_k + own[:, 0], *LN_K_RANGE)
        ln_start = ln_start + own[:, 1]
        residual = rows.ln_co2 - _model(rows, ln_k, ln_start, excess)[0]
        scatter = scatter_of(residual, rows.known)
        distance = np.abs(residual) / scatter
        # Huber first: Tukey's cut would drop good nights while the parameters are still far off
        weight = rows.known * (huber(distance) if turn < HUBER_ROUNDS else tukey(distance))
        middle = float(np.median(ln_k))
        if turn > HUBER_ROUNDS + 1 and max(abs(moved), float(np.max(np.abs(own)))) < 1e-4:
            break
    step = _step(rows, ln_k, ln_start, excess, weight / scatter**2, middle)
    residual = rows.ln_co2 - _model(rows, ln_k, ln_start, excess)[0]
    share = slow_share(residual * np.sqrt(weight), rows.known)
    own_sd, common_sd = step.sd_of(scatter**2 * correlations(rows.known.shape[1], share))
    return Nights(
        ln_k=ln_k,
        sd=own_sd,
        by_excess=step.by_common,
        excess_mg_l=excess,
        excess_sd=common_sd,
        scatter=scatter,
    )


@dataclass(frozen=True)
class _Step:
    """A Gauss-Newton step, and how residuals move it.

    ``own`` (P, 2) of ln k and ln C0; ``common`` of a; ``by_common`` (P,) d ln k / d a;
    ``own_influence`` (P, n) d ln k / d residual with a fixed, ``common_influence`` (P, n) that of
    a; ``prior_variance`` what the prior of a alone leaves of its variance.
    """

    own: Floats
    common: float
    by_common: Floats
    own_influence: Floats
    common_influence: Floats
    prior_variance: float

    def sd_of(self, covariance: Floats) -> tuple[Floats, float]:
        """Standard deviations of each ln k with a fixed, and of a (sandwich estimate).

        Parameters
        ----------
        covariance: of the residuals of a phase, (n, n).
        """
        own = np.sum((self.own_influence @ covariance) * self.own_influence, axis=1)
        common = float(np.sum((self.common_influence @ covariance) * self.common_influence))
        return np.sqrt(own), float(np.sqrt(common + self.prior_variance))


def _model(
    rows: Rows, ln_k: Floats, ln_start: Floats, excess: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """ln C and its derivatives by ln k, ln C0 and a, (P, n) each."""
    k = np.exp(ln_k)[:, None]
    floor = np.maximum(rows.air + excess, 0.02)[:, None]
    start = np.exp(ln_start)[:, None]
    gone = k * rows.stretched
    left = np.exp(-gone)
    co2 = np.maximum(floor + (start - floor) * left, 1e-3)
    return np.log(co2), -(start - floor) * gone * left / co2, start * left / co2, (1.0 - left) / co2


def _step(
    rows: Rows, ln_k: Floats, ln_start: Floats, excess: float, scale: Floats, middle: float
) -> _Step:
    ln_co2, by_k, by_start, by_excess = _model(rows, ln_k, ln_start, excess)
    residual = rows.ln_co2 - ln_co2
    own = np.stack([by_k, by_start], axis=2)
    weighted = own * scale[:, :, None]
    block = np.matmul(own.transpose(0, 2, 1), weighted)
    block[:, 0, 0] += 1.0 / SINGLE_LN_K_SD**2
    block[:, 1, 1] += 1e-6
    gradient = np.einsum("pni,pn->pi", weighted, residual)
    gradient[:, 0] += (middle - ln_k) / SINGLE_LN_K_SD**2
    coupling = np.einsum("pni,pn->pi", weighted, by_excess)
    inverse = np.linalg.inv(block)
    mean, sd = NIGHT_EXCESS_PRIOR_MG_L
    shifted = np.einsum("pij,pj->pi", inverse, coupling)
    hessian = float(np.sum(scale * by_excess**2)) - float(np.sum(coupling * shifted)) + 1 / sd**2
    common_gradient = (
        float(np.sum(scale * by_excess * residual))
        - float(np.sum(shifted * gradient))
        + (mean - excess) / sd**2
    )
    common = common_gradient / hessian
    return _Step(
        own=np.einsum("pij,pj->pi", inverse, gradient - coupling * common),
        common=common,
        by_common=-shifted[:, 0],
        own_influence=np.einsum("pj,pnj->pn", inverse[:, 0], weighted),
        common_influence=(scale * by_excess - np.einsum("pni,pi->pn", weighted, shifted)) / hessian,
        prior_variance=(1.0 / (sd * hessian)) ** 2,
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
    return float(np.clip(np.median(-slope), *K_RANGE_PER_H))


def _slopes(x: Floats, y: Floats, use: NDArray[np.bool_]) -> Floats:
    """Slope of a straight line through the used values of each row."""
    weight = use.astype(float)
    count = weight.sum(axis=1)
    dx = x - ((x * weight).sum(axis=1) / count)[:, None]
    return np.asarray((dx * y * weight).sum(axis=1) / (np.square(dx) * weight).sum(axis=1))
