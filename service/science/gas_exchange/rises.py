"""Injection of each day, and the exchange while the gas is on, from the rise and what follows.

    dC/dt = J + R - U l C / (C + K) - k (C - C_eq),    R = a k_night

J injection, U uptake in the light (l), C0 belong to each day; R, respiration, upholds the nights'
excess a; k is that of the nights times a
common factor exp(delta): an air stone that runs at night alone, or a filter that is turned up by
day, makes the two differ. For a given k the equation is linear in C0, J and U (C in C / (C + K)
is the measured one), so that delta alone is searched, over a grid, for all days at once. Errors are
those of ln C; Huber's weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

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

HALF_UPTAKE_MG_L: Final = 4.0
"""CO2 at which uptake is half of that at ample CO2: order of magnitude of submerged plants
(Maberly & Madsen 1998, Funct. Ecol. 12:99-106; from memory)."""
UPTAKE_PRIOR_MG_L_H: Final = (1.0, 4.0)
"""Mean and standard deviation expected of the uptake. It decides only where the days don't."""
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

ChangesWith = Literal["gas", "lamp"]
"""What the exchange of the day begins with: the gas, or the lamp."""


@dataclass(frozen=True)
class Rises:
    """Days (P) under one hypothesis of what the day's exchange begins with.

    ``deltas`` (D,) tried, ascending; ``loss`` (D,) sum of Huber's losses of ln C; ``scale`` that
    makes differences of it those of twice a log likelihood; ``ln_injection``, ``sd``,
    ``uptake_mg_l_h`` (D, P) of each day at each; ``residual`` (D, P, n) of ln C; ``scatter``;
    ``uptake_share`` of the plants' uptake over what the air takes, at the level of the days.
    """

    deltas: Floats
    loss: Floats
    scale: float
    ln_injection: Floats
    sd: Floats
    uptake_mg_l_h: Floats
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
        size = np.abs(self.residual[self.best]) / unit
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
        uptake_mg_l_h=joined("uptake_mg_l_h"),
        residual=joined("residual"),
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
    k = np.exp(ln_k_night + deltas[:, None])[:, :, None]  # (D, P, 1)
    night = np.exp(ln_k_night)[None, :, None]
    columns = _columns(rows, k, night, changes_with)
    floor = _floor(rows, columns, ln_k_night, excess_mg_l)
    above = np.exp(rows.ln_co2)[None] - floor
    with_uptake = _dark_bins(rows) >= DARK_BINS if lamp_known else np.zeros(len(rows), bool)
    weight = np.broadcast_to(known, above.shape)
    model = np.broadcast_to(np.exp(rows.ln_co2)[None], above.shape)
    solved = None
    residual = np.zeros_like(above)
    scale2 = 0.03**2
    for _ in range(ROUNDS):
        relative = weight / np.square(model)
        solved = _solved(columns, above, relative, with_uptake, scale2)
        model = np.maximum(_sums(columns, solved.values) + floor, 0.02)
        residual = (rows.ln_co2[None] - np.log(model)) * known
        inside = np.abs(residual[:, known > 0.0])
        scatter = np.maximum(np.median(inside, axis=1) / 0.6745, 1e-4)
        scale2 = float(np.min(scatter)) ** 2
        weight = known * huber(np.abs(residual) / scatter[:, None, None])
    assert solved is not None
    best = int(np.argmin(scatter))
    sd = float(scatter[best])
    share = slow_share(residual[best] * np.sqrt(weight[best]), known)
    # in squares of ln C, so that losses of several calls compare
    loss = _huber_loss(np.abs(residual) / HUBER_LN) * HUBER_LN**2
    values = solved.values
    moved = solved.influence() * np.exp(rows.ln_co2)[None]
    variance = np.sum((moved @ correlations(known.shape[1], share)) * moved, axis=2)
    injection = np.maximum(values[:, :, 1], 1e-3)
    return Rises(
        deltas=deltas,
        loss=loss.sum(axis=(1, 2)),
        scale=inflation(share) * sd**2,
        ln_injection=np.log(injection),
        sd=np.sqrt(variance) * sd / injection,
        uptake_mg_l_h=values[:, :, 2],
        residual=residual,
        scatter=scatter_of(residual[best], known),
        uptake_share=_uptake_share(rows, values[best, :, 2], k[best, :, 0]),
    )


def _uptake_share(rows: Rows, uptake: Floats, k: Floats) -> float:
    level = np.exp(np.median(rows.ln_co2, axis=1))
    return float(np.median(uptake / (level + HALF_UPTAKE_MG_L) / k))


def risen(rows: Rows, used: Floats, ln_k_night: Floats, excess_mg_l: float) -> Floats:
    """CO2, mg/L, (P, n), as the used bins rise at the nights' exchange with no uptake."""
    k = np.exp(ln_k_night)[None, :, None]
    columns = _columns(rows, k, k, "gas")
    floor = _floor(rows, columns, ln_k_night, excess_mg_l)
    co2 = np.exp(rows.ln_co2)[None]
    none = np.zeros(len(rows), bool)
    solved = _solved(columns, co2 - floor, used[None] / np.square(co2), none, 1.0)
    return np.asarray(np.maximum(_sums(columns, solved.values) + floor, 0.02)[0])


def _sums(columns: Floats, values: Floats) -> Floats:
    """What the columns add up to at each bin, (D, P, n)."""
    return np.asarray(np.matmul(columns, values[..., None])[..., 0])


def _floor(rows: Rows, columns: Floats, ln_k_night: Floats, excess_mg_l: float) -> Floats:
    """What air and respiration alone make of each bin, less what is left of C0, (D, P, n).

    Respiration upholds the excess of the nights against their exchange.
    """
    factor = rows.stretched[:, -1] / np.maximum(rows.hours[:, -1], 1e-9)
    breath = excess_mg_l * np.exp(ln_k_night) * factor
    return np.asarray(rows.air[None, :, None] + breath[None, :, None] * columns[..., 1])


def _dark_bins(rows: Rows) -> Floats:
    return np.asarray(((1.0 - rows.lit) * rows.known).sum(axis=1))


def _columns(rows: Rows, k: Floats, night: Floats, changes_with: ChangesWith) -> Floats:
    """What a unit of C0 - C_eq, of J and of U adds to C at each bin, (D, P, n, 3)."""
    steps = np.diff(rows.stretched, axis=1)[None]
    hours = np.diff(rows.hours, axis=1)[None]
    lit = rows.lit[None, :, :-1]
    rate = k if changes_with == "gas" else np.where(lit > 0.5, k, night)
    passed = rate * steps
    gone = np.concatenate([np.zeros((*passed.shape[:2], 1)), np.cumsum(passed, axis=2)], axis=2)
    left = np.exp(-gone)
    # within a step what is added decays as well: exact for a constant rate
    mean = np.where(passed > 1e-9, np.expm1(passed) / np.maximum(passed, 1e-9), 1.0)
    added = hours * mean * np.exp(gone[:, :, :-1])
    co2 = np.exp(rows.ln_co2)[None, :, :-1]
    taken = added * lit * co2 / (co2 + HALF_UPTAKE_MG_L)
    zero = np.zeros((*passed.shape[:2], 1))

    def built(parts: Floats) -> Floats:
        return np.asarray(np.concatenate([zero, np.cumsum(parts, axis=2)], axis=2) * left)

    return np.stack([left, built(added), -built(taken)], axis=3)


@dataclass(frozen=True)
class _Solved:
    """Weighted least squares of each day at each delta.

    ``values`` (C0 - C_eq, J, U), (D, P, 3); ``block`` of the normal equations, (D, P, 3, 3);
    ``weighted`` columns, (D, P, 3, n).
    """

    values: Floats
    block: Floats
    weighted: Floats

    def influence(self) -> Floats:
        """d J / d C of each bin, (D, P, n)."""
        of_injection = np.linalg.inv(self.block)[:, :, 1]
        return np.asarray(np.matmul(of_injection[:, :, None, :], self.weighted)[:, :, 0])


def _solved(
    columns: Floats,
    above: Floats,
    relative: Floats,
    with_uptake: NDArray[np.bool_],
    scale2: float,
) -> _Solved:
    weighted = (columns * relative[:, :, :, None]).swapaxes(2, 3)
    block = np.matmul(weighted, columns)
    right = np.matmul(weighted, above[..., None])[..., 0]
    mean, sd = UPTAKE_PRIOR_MG_L_H
    prior = np.where(with_uptake, scale2 / sd**2, 1e9)[None]
    block[:, :, 2, 2] += prior
    right[:, :, 2] += np.where(with_uptake, scale2 / sd**2 * mean, 0.0)[None]
    block[:, :, 0, 0] += 1e-9
    block[:, :, 1, 1] += 1e-9
    values = np.linalg.solve(block, right[..., None])[..., 0]
    below = values[:, :, 2] < 0.0
    if below.any():  # plants give off no CO2 in the light
        block[:, :, 2, 2] += np.where(below, 1e9, 0.0)
        values = np.linalg.solve(block, right[..., None])[..., 0]
        values[:, :, 2] = np.maximum(values[:, :, 2], 0.0)
    return _Solved(values, block, weighted)
