"""The phases of a CO2 series as rows of one length, and sums over them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.science.gas_exchange.air_water import TEMPERATURE_EXCHANGE_FACTOR
from service.science.gas_exchange.phases import BIN_S, Phase, Series
from service.science.numeric.checks import Floats
from service.science.numeric.ranks import median

HUBER_CUT: Final = 1.345
"""Beyond this many standard deviations a residual counts linearly (95 % efficiency)."""
TUKEY_CUT: Final = 4.685
"""Residuals beyond this many standard deviations get no weight (95 % efficiency)."""
LEAST_SCATTER_LN: Final = 1e-4
SLOW_H: Final = 2.0
"""Memory of the slow part of a pH electrode's noise. Our choice, from home-made probes."""
SLOW_PER_BIN: Final = float(np.exp(-BIN_S / 3600.0 / SLOW_H))
FITTED_AWAY: Final = 0.25
"""Share of the slow noise that the parameters of a phase take with them. Our choice, by
simulation."""


@dataclass(frozen=True)
class Rows:
    """Phases (P) of bins (n): shorter ones are filled up, ``known`` is 0 there and 1 elsewhere.

    ``hours`` since each phase began; ``stretched`` the same with exchange's temperature factor
    in it, so that k20 ``stretched`` is what k dt adds up to; ``ln_co2``; ``lit`` 0 or 1, all 0
    where the lamp is not known; ``air`` equilibrium of each phase, mg/L, (P,); ``start_s`` unix
    seconds, (P,); ``celsius`` mean of each phase, (P,).
    """

    hours: Floats
    stretched: Floats
    ln_co2: Floats
    lit: Floats
    known: Floats
    air: Floats
    start_s: Floats
    celsius: Floats

    def __len__(self) -> int:
        return int(self.air.size)

    def part(self, chosen: NDArray[np.bool_]) -> Rows:
        """Some of the phases."""
        return Rows(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


def rows_of(series: Series, phases: Sequence[Phase], air: Floats) -> Rows:
    """Rows of the phases of a series.

    Parameters
    ----------
    air: CO2 in equilibrium with the air at each bin of the series, mg/L.
    """
    longest = max((len(phase) for phase in phases), default=1)
    first = np.array([phase.first for phase in phases], np.int64)[:, None]
    last = np.array([phase.last for phase in phases], np.int64)[:, None]
    index = np.minimum(first + np.arange(longest), last)
    known = (first + np.arange(longest) <= last).astype(float)
    hours = (series.time_s[index] - series.time_s[first]) / 3600.0
    factor = TEMPERATURE_EXCHANGE_FACTOR ** (series.temperature_c[index] - 20.0)
    steps = 0.5 * (factor[:, 1:] + factor[:, :-1]) * np.diff(hours, axis=1)
    counts = known.sum(axis=1)
    return Rows(
        hours=hours,
        stretched=np.concatenate([np.zeros((len(phases), 1)), np.cumsum(steps, axis=1)], axis=1),
        ln_co2=series.ln_co2[index],
        lit=np.zeros_like(hours) if series.lit is None else series.lit[index].astype(float),
        known=known,
        air=(air[index] * known).sum(axis=1) / counts,
        start_s=series.time_s[first[:, 0]],
        celsius=(series.temperature_c[index] * known).sum(axis=1) / counts,
    )


def scatter_of(residual: Floats, known: Floats) -> float:
    """Robust standard deviation of residuals about 0."""
    inside = np.abs(residual[known > 0.0])
    return max(median(inside) / 0.6745, LEAST_SCATTER_LN) if inside.size else 1.0


def huber(distance: Floats) -> Floats:
    """Huber's weights of distances in standard deviations."""
    return np.asarray(HUBER_CUT / np.maximum(distance, HUBER_CUT))


def tukey(distance: Floats) -> Floats:
    """Tukey's biweights of distances in standard deviations."""
    return np.asarray(np.square(1.0 - np.square(np.minimum(distance / TUKEY_CUT, 1.0))))


def slow_share(residual: Floats, known: Floats) -> float:
    """Share of the residuals' variance that hangs together over hours.

    By their correlation over the first half hour.
    """
    one = residual * known
    total = float(np.sum(np.square(one)))
    if total <= 0.0 or one.shape[1] <= 3:
        return 0.0
    shares = [
        float(np.vecdot(one[:, lag:], one[:, :-lag]).sum()) / total / SLOW_PER_BIN**lag
        for lag in (1, 2, 3)
    ]
    return min(max(sum(shares) / len(shares), 0.0), 1.0)


def correlations(bins: int, share: float) -> Floats:
    """Covariance of the errors of so many bins, (bins, bins), in units of the residuals' variance.

    White and slow noise together; of the slow one the residuals have lost a part.
    """
    number = np.arange(bins)
    of_lag = (share + FITTED_AWAY) * SLOW_PER_BIN**number
    of_lag[0] += max(1.0 - share, 0.0)  # white
    return np.asarray(of_lag[np.abs(number[:, None] - number)])


def inflation(share: float) -> float:
    """By how much slow noise inflates the variance of a mean over many bins."""
    return 1.0 + 2.0 * (share + FITTED_AWAY) * SLOW_PER_BIN / (1.0 - SLOW_PER_BIN)
