"""Injection of each day, and the exchange while the gas is on, from the rise and what follows.

The exchange by day is that of the nights times a common factor exp(delta): an air stone that runs
at night alone, or a filter that is turned up by day, makes the two differ. For a given one the
equation of a day is linear (``rise_equations``), so that delta alone is searched, over a grid, for
all days at once. Errors are those of ln C; Huber's weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.gas_exchange.rise_equations import (
    HALF_UPTAKE_MG_L,
    INJECTION,
    UPTAKE,
    ChangesWith,
    RiseEquations,
)
from service.science.gas_exchange.rows import (
    HUBER_CUT,
    Rows,
    correlations,
    huber,
    inflation,
    scatter_of,
    slow_share,
)
from service.science.numeric.checks import Floats
from service.science.numeric.ranks import median, median_seen

DELTAS: Final = np.arange(-2.4, 2.41, 0.3)
FINE: Final = np.arange(-0.3, 0.31, 0.05)
ROUNDS: Final = 3
HUBER_LN: Final = 0.05
"""Residuals of ln C beyond this times Huber's cut count linearly in the comparison of deltas."""
MODEL_LN_K_SD: Final = 0.1
UPTAKE_ERROR: Final = 0.25
"""Error of ln k by day beyond its scatter: the former, and the latter share of uptake over loss to
the air, since uptake is not what the model says over a day. Our choice."""
DARK_BINS: Final = 6
"""An hour of gas in the dark tells injection and uptake apart."""
EARLY_H: Final = 2.0
"""So much of a rise is used where the lamp is not known: before the plants take over."""


@dataclass(frozen=True)
class Rises:
    """Days (P) under one hypothesis of what the day's exchange begins with.

    ``deltas`` (D,) tried, ascending; ``loss`` (D,) sum of Huber's losses of ln C; ``scale`` that
    makes differences of it those of twice a log likelihood; ``ln_injection``, ``sd``
    (D, P) of each day at each; ``residual`` (P, n) of ln C at the best of them; ``scatter``;
    ``uptake_share`` of the plants' uptake over what the air takes, at the level of the days.
    """

    deltas: Floats
    loss: Floats
    scale: float
    ln_injection: Floats
    sd: Floats
    residual: Floats
    scatter: float
    uptake_share: float

    @property
    def best(self) -> int:
        """Which delta fits best."""
        return int(np.argmin(self.loss))

    @property
    def delta(self) -> float:
        """Factor between night and day, ln k, that fits best."""
        return float(self.deltas[self.best])

    @property
    def delta_sd(self) -> float:
        """Its standard deviation: where the loss is 1 higher, and the error of the model."""
        near = self.deltas[self.loss <= self.loss[self.best] + 4.0 * self.scale]
        # a drop of 4 is two standard deviations either way; the grid's step is the least
        half = max(float(near[-1] - near[0]) / 4.0, 0.02)
        return float(np.hypot(half, np.hypot(MODEL_LN_K_SD, UPTAKE_ERROR * self.uptake_share)))

    def distance(self, delta: float) -> float:
        """How much worse a delta explains the days than the best, as a square of sigmas."""
        loss = float(np.interp(delta, self.deltas, self.loss))
        return (loss - float(self.loss[self.best])) / self.scale

    def least_loss(self, other: Rises) -> float:
        """The least loss, in the units of the better of two hypotheses."""
        unit = min(self.scatter, other.scatter)
        size = np.abs(self.residual) / unit
        return float(_huber_loss(size).sum())

    def injection_at(self, delta: float) -> tuple[Floats, Floats]:
        """ln J of each day and its standard deviation at a delta between those tried."""
        at = float(np.interp(delta, self.deltas, np.arange(self.deltas.size)))
        low = min(int(at), self.deltas.size - 2)
        share = at - low
        return tuple(
            (1.0 - share) * one[low] + share * one[low + 1] for one in (self.ln_injection, self.sd)
        )


def fit_rises(
    rows: Rows,
    ln_k_night: Floats,
    excess_mg_l: float,
    *,
    changes_with: ChangesWith = "gas",
    lamp_known: bool,
) -> Rises:
    """Fit the days under one hypothesis.

    Parameters
    ----------
    rows: of rises up to gas-off.
    ln_k_night: ln k20 of the nights around each day, (P,).
    excess_mg_l: a of the nights.
    lamp_known: else uptake is left out, and all but the first hours.
    """
    coarse = _tried(rows, ln_k_night, excess_mg_l, DELTAS, changes_with, lamp_known)
    near = coarse.delta + FINE
    fine = _tried(rows, ln_k_night, excess_mg_l, near, changes_with, lamp_known)
    outside = (coarse.deltas < near[0] - 1e-9) | (coarse.deltas > near[-1] + 1e-9)
    order = np.argsort(np.concatenate([coarse.deltas[outside], fine.deltas]))

    def joined(name: str) -> Floats:
        parts = [getattr(coarse, name)[outside], getattr(fine, name)]
        return np.asarray(np.concatenate(parts)[order])

    return Rises(
        deltas=joined("deltas"),
        loss=joined("loss"),
        scale=fine.scale,
        ln_injection=joined("ln_injection"),
        sd=joined("sd"),
        residual=fine.residual if fine.loss.min() <= coarse.loss.min() else coarse.residual,
        scatter=fine.scatter,
        uptake_share=fine.uptake_share,
    )


def _huber_loss(size: Floats) -> Floats:
    """Huber's loss of residuals in standard deviations; square up to the cut."""
    return np.where(size <= HUBER_CUT, np.square(size), 2 * HUBER_CUT * size - HUBER_CUT**2)


def _tried(
    rows: Rows,
    ln_k_night: Floats,
    excess_mg_l: float,
    deltas: Floats,
    changes_with: ChangesWith,
    lamp_known: bool,
) -> Rises:
    known = rows.known if lamp_known else rows.known * (rows.hours <= EARLY_H)
    with_uptake = _dark_bins(rows) >= DARK_BINS if lamp_known else np.zeros(len(rows), bool)
    equations = RiseEquations.of(rows, ln_k_night, deltas, excess_mg_l, with_uptake, changes_with)
    co2 = np.exp(rows.ln_co2)
    seen = np.flatnonzero(known)
    middle = [(seen.size - 1) // 2, seen.size // 2]
    shape = equations.floor.shape
    weight, model = np.broadcast_to(known, shape), np.broadcast_to(co2, shape)
    scale2 = 0.03**2
    for _ in range(ROUNDS):
        relative = weight / np.square(model)
        solution = equations.solved(relative, scale2)
        model = equations.course(solution.values)
        residual = (rows.ln_co2 - np.log(model)) * known
        size = np.abs(residual)
        ranked = np.sort(size.reshape(deltas.size, -1)[:, seen], axis=1)
        scatter = np.maximum(ranked[:, middle].mean(axis=1) / 0.6745, 1e-4)
        scale2 = float(np.min(scatter)) ** 2
        weight = known * huber(size / scatter[:, None, None])
    best = int(np.argmin(scatter))
    sd = float(scatter[best])
    share = slow_share(residual[best] * np.sqrt(weight[best]), known)
    # in squares of ln C, so that losses of several calls compare
    loss = (_huber_loss(size / HUBER_LN) * HUBER_LN**2).sum(axis=(1, 2))
    moved = equations.influence_on_injection(solution, relative) * co2
    variance = np.vecdot(moved @ correlations(known.shape[1], share), moved)
    injection = np.maximum(solution.values[INJECTION], 1e-3)
    return Rises(
        deltas=deltas,
        loss=loss,
        scale=inflation(share) * sd**2,
        ln_injection=np.log(injection),
        sd=np.sqrt(variance) * sd / injection,
        residual=residual[int(np.argmin(loss))],
        scatter=scatter_of(residual[best], known),
        uptake_share=_uptake_share(
            rows, solution.values[UPTAKE, best], np.exp(ln_k_night + deltas[best])
        ),
    )


def _dark_bins(rows: Rows) -> Floats:
    return np.asarray(((1.0 - rows.lit) * rows.known).sum(axis=1))


def _uptake_share(rows: Rows, uptake: Floats, k: Floats) -> float:
    level = np.exp(median_seen(rows.ln_co2, axis=1))
    return median(uptake / (level + HALF_UPTAKE_MG_L) / k)
