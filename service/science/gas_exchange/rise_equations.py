"""CO2 of days with the gas on, for given exchanges: linear in C0, injection and uptake.

    dC/dt = J + R - U l C / (C + K) - k (C - C_eq),    R = a k_night

J injection, U uptake in the light (l), C0 at the start belong to each day; R, respiration, upholds
the nights' excess a. The C of C / (C + K) is the measured one, so that the equation is linear.
Many exchanges k (D) are solved for all days (P) of bins (n) at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.science.gas_exchange.rows import Rows
from service.science.numeric.checks import Floats
from service.science.numeric.linear import solve_three

HALF_UPTAKE_MG_L: Final = 4.0
"""CO2 at which uptake is half of that at ample CO2: order of magnitude of submerged plants
(Maberly & Madsen 1998, Funct. Ecol. 12:99-106; from memory)."""
UPTAKE_PRIOR_MG_L_H: Final = (1.0, 4.0)
"""Mean and standard deviation expected of the uptake. It decides only where the days don't."""
PINNED: Final = 1e9
"""Weight that holds an unknown at its expected value."""
LEAST_CO2_MG_L: Final = 0.02

ChangesWith = Literal["gas", "lamp"]
"""What the exchange of the day begins with: the gas, or the lamp."""

START, INJECTION, UPTAKE = range(3)
"""The unknowns: C0 - C_eq, J and U."""


class Solution(NamedTuple):
    """``values`` of the unknowns, (3, D, P), and the normal equations (3, 3, D, P) that they solve,
    of which the lower triangle counts and in which an uptake of 0 is held there."""

    values: Floats
    normal: Floats


@dataclass(frozen=True)
class RiseEquations:
    """``columns`` (3, D, P, n), what a unit of each unknown adds to C at each bin; ``floor``
    (D, P, n), what air and respiration make of it, and ``above``, what was measured above that;
    ``with_uptake`` (P,), whether the day tells uptake and injection apart.
    """

    columns: Floats
    floor: Floats
    above: Floats
    with_uptake: NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        rows: Rows,
        ln_k_night: Floats,
        deltas: Floats,
        excess_mg_l: float,
        with_uptake: NDArray[np.bool_],
        changes_with: ChangesWith = "gas",
    ) -> RiseEquations:
        """Those of days whose exchange differs from the nights' by each of some factors.

        Parameters
        ----------
        ln_k_night: ln k20 of the nights around each day, (P,).
        deltas: logarithms of the factors, (D,).
        excess_mg_l: a of the nights.
        """
        k = np.exp(ln_k_night + deltas[:, None])[:, :, None]
        columns = _columns(rows, k, np.exp(ln_k_night)[None, :, None], changes_with)
        factor = rows.stretched[:, -1] / np.maximum(rows.hours[:, -1], 1e-9)
        breath = excess_mg_l * np.exp(ln_k_night) * factor
        floor = rows.air[None, :, None] + breath[None, :, None] * columns[INJECTION]
        return cls(columns, floor, np.exp(rows.ln_co2) - floor, with_uptake)

    def solved(self, relative: Floats, scale2: float) -> Solution:
        """Weighted least squares; no uptake is below 0, as plants give off no CO2 in the light.

        Parameters
        ----------
        relative: weights of the bins, (D, P, n).
        scale2: variance of what is weighed 1, for the uptake that is expected.
        """
        shape = relative.shape[:-1]
        normal, right = np.empty((3, 3, *shape)), np.empty((3, *shape))
        for one, column in enumerate(self.columns):
            weighted = column * relative
            right[one] = np.vecdot(weighted, self.above)
            for other in range(one, 3):  # of a symmetric matrix the lower triangle counts
                normal[other, one] = np.vecdot(weighted, self.columns[other])
        mean, sd = UPTAKE_PRIOR_MG_L_H
        normal[START, START] += 1e-9
        normal[INJECTION, INJECTION] += 1e-9
        normal[UPTAKE, UPTAKE] += np.where(self.with_uptake, scale2 / sd**2, PINNED)
        right[UPTAKE] += np.where(self.with_uptake, scale2 / sd**2 * mean, 0.0)
        values = solve_three(normal, right, least_third=0.0)
        normal[UPTAKE, UPTAKE] += np.where(values[UPTAKE] > 0.0, 0.0, PINNED)
        return Solution(values, normal)

    def course(self, values: Floats) -> Floats:
        """CO2 at each bin, mg/L, (D, P, n)."""
        course = self._sums(values)
        course += self.floor
        return np.maximum(course, LEAST_CO2_MG_L, out=course)

    def influence_on_injection(self, solution: Solution, relative: Floats) -> Floats:
        """d J / d C of each bin, (D, P, n)."""
        unit = np.zeros((3, 1, 1))
        unit[INJECTION] = 1.0
        return self._sums(solve_three(solution.normal, unit)) * relative

    def _sums(self, values: Floats) -> Floats:
        one, two, three = (
            column * value[..., None] for column, value in zip(self.columns, values, strict=True)
        )
        one += two
        one += three
        return np.asarray(one)


def risen(rows: Rows, used: Floats, ln_k_night: Floats, excess_mg_l: float) -> Floats:
    """CO2, mg/L, (P, n), as the used bins rise at the nights' exchange with no uptake."""
    none = np.zeros(len(rows), bool)
    equations = RiseEquations.of(rows, ln_k_night, np.zeros(1), excess_mg_l, none)
    solution = equations.solved(used[None] / np.square(np.exp(rows.ln_co2)), 1.0)
    return np.asarray(equations.course(solution.values)[0])


def _columns(rows: Rows, k: Floats, night: Floats, changes_with: ChangesWith) -> Floats:
    """What a unit of C0 - C_eq, of J and of U adds to C at each bin, (3, D, P, n).

    Parameters
    ----------
    k: by day, (D, P, 1).
    night: the nights' k, (1, P, 1).
    """
    hours = np.diff(rows.hours, axis=1)
    lit = rows.lit[:, :-1]
    gone = k * rows.stretched
    if changes_with == "lamp":
        dark_steps = np.diff(rows.stretched, axis=1) * (lit <= 0.5)
        gone[:, :, 1:] += (night - k) * np.cumsum(dark_steps, axis=1)
    passed = np.diff(gone, axis=2)
    columns = np.zeros((3, *gone.shape))
    left, added, taken = columns
    grown = np.exp(gone[:, :, :-1])
    np.exp(-gone, out=left)
    # within a step what is added decays as well: exact for a constant rate
    mean = np.where(passed > 1e-9, np.expm1(passed) / np.maximum(passed, 1e-9), 1.0)
    part = hours * mean * grown
    co2 = np.exp(rows.ln_co2[:, :-1])
    np.cumsum(part, axis=2, out=added[:, :, 1:])
    np.cumsum(part * (lit * co2 / (-co2 - HALF_UPTAKE_MG_L)), axis=2, out=taken[:, :, 1:])
    columns[1:] *= left
    return columns
