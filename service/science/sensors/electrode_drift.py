"""Drift of a pH electrode since its calibration, from the tank's own mornings.

With the gas off, CO2 falls through the night towards a floor: what the room's air, and the animals
and plants at night, uphold. That floor hardly changes from week to week, so a pH that is read of
it and creeps is an electrode that creeps:

    C(t) = F + B exp(-k t)      of each night, k from ``gas_exchange``, F and B linear
    d    = -log10(F / C_eq(T))  of each morning, pH, up to a constant

and the slope of d over time is the drift; the constant (KH, the room's CO2, the night's
respiration) falls out. What changes with time beside the electrode does not: KH that was eaten
and not tested, a room that is aired less. A standard deviation for it is part of the interval.

Sources: exchange of the first order as in ``gas_exchange``; Huber 1964, Ann. Math. Stat. 35:73-101
(weights); Santer et al. 2000, J. Geophys. Res. 105:7337-7356 (effective number of values that hang
together), all from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.science.constants import LN10, SECONDS_PER_HOUR
from service.science.gas_exchange.air_water import (
    TEMPERATURE_EXCHANGE_FACTOR,
    co2_air_equilibrium_mg_l,
)
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, as_number
from service.science.numeric.estimate import students_t_975
from service.science.numeric.linear import weighted_line
from service.science.numeric.ranks import median, median_seen

LEAST_MORNINGS: Final = 6
"""Fewer mornings tell no drift. Our choice."""
LEAST_DAYS: Final = 5.0
"""A shorter time since the calibration tells no drift. Our choice."""
LEAST_SAMPLES: Final = 12
LEAST_FADED: Final = 0.75
"""A night counts if the gas has lost this share of its way to the floor: what is left is little."""
MOST_FLOOR_LOG_SD: Final = 0.35
"""Mornings whose floor is known no better than this are left out."""
OTHER_LOG_SD_PER_30_DAYS: Final = 0.12
"""Relative standard deviation of what else moves the floor in 30 days and is not known: KH between
its tests, the night's respiration. Our choice."""
HUBER_CUT: Final = 1.345
HUBER_ROUNDS: Final = 10
SECONDS_PER_DAY: Final = 86_400.0


@dataclass(frozen=True)
class Morning:
    """A night's end: ``time_s`` unix seconds; ``log_floor`` ln of its CO2 as a multiple of that in
    equilibrium with outdoor air; ``log_sd`` its standard deviation."""

    time_s: float
    log_floor: float
    log_sd: float


@dataclass(frozen=True)
class ElectrodeDrift:
    """By how much an electrode has come to read too high since its calibration.

    ``ph`` at the time asked for, with its 95 % interval ``low`` to ``high``; below 0 where it reads
    too low; ``ph_per_day``; ``mornings`` used, over ``days`` since the calibration.
    """

    ph: float
    low: float
    high: float
    ph_per_day: float
    mornings: int
    days: float

    @property
    def certain(self) -> bool:
        """Whether the interval excludes that the electrode stands still."""
        return self.low > 0.0 or self.high < 0.0


def morning_floors(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    nights: Sequence[tuple[float, float]],
    k20_per_h: float,
    pressure_atm: float = 1.0,
) -> list[Morning]:
    """The level that each night's CO2 falls to.

    Parameters
    ----------
    time_s: unix seconds UTC, shape (n,), ascending.
    co2_mg_l: from pH and the alkalinity as known at each moment, (n,), NaN where unknown.
    temperature_c: (n,) or one number, 0-40.
    nights: (start, end) of each dark stretch with the gas off, unix seconds.
    k20_per_h: fitted exchange coefficient at 20 °C of these nights.
    pressure_atm: of the air, 0.3-1.2.

    Returns
    -------
    Mornings of the nights that are long enough, oldest first.

    Raises
    ------
    OutOfRangeError: naming a bad parameter.
    """
    times = as_floats("time_s", time_s, unit="s")
    co2 = as_floats("co2_mg_l", co2_mg_l, low=0.0, unit="mg/L")
    celsius = np.broadcast_to(
        as_floats("temperature_c", temperature_c, low=0.0, high=40.0, unit="°C"), times.shape
    )
    if times.ndim != 1 or co2.shape != times.shape:
        raise OutOfRangeError("co2_mg_l", co2.shape, f"the shape of time_s, {times.shape}")
    k20 = as_number("k20_per_h", k20_per_h, above=0.0, unit="1/h")
    known = np.isfinite(co2) & (co2 > 0.0) & np.isfinite(celsius)
    times, co2, celsius = times[known], co2[known], celsius[known]
    edges = np.array(sorted(nights), dtype=np.float64).reshape(-1, 2)
    first, end = times.searchsorted(edges).T
    enough = end - first >= LEAST_SAMPLES
    if not enough.any():
        return []
    (start_s, end_s), first, end = edges[enough].T, first[enough, None], end[enough, None]
    # nights as rows of one length, those that are shorter filled up with their last sample
    index = first + np.arange(int((end - first).max()))
    seen = index < end
    index = np.minimum(index, end - 1)
    warmth = (celsius[index] * seen).sum(axis=1) / seen.sum(axis=1)
    k = k20 * TEMPERATURE_EXCHANGE_FACTOR ** (warmth - 20.0)
    hours = (times[index] - start_s[:, None]) / SECONDS_PER_HOUR
    level, log_sd = _floors(hours, co2[index], seen, k)
    good = log_sd < MOST_FLOOR_LOG_SD
    air = co2_air_equilibrium_mg_l(warmth[good], pressure_atm=pressure_atm)
    rows = (end_s[good], np.log(level[good] / air), log_sd[good])
    return [Morning(*row) for row in zip(*(one.tolist() for one in rows), strict=True)]


def electrode_drift(
    mornings: Sequence[Morning],
    *,
    calibrated_s: float,
    now_s: float,
    other_log_sd_per_30_days: float = OTHER_LOG_SD_PER_30_DAYS,
) -> ElectrodeDrift | None:
    """Drift of the electrode from a calibration to now.

    Parameters
    ----------
    mornings: from ``morning_floors``; those before the calibration are left out.
    calibrated_s: when the electrode was calibrated, or since when its mornings are compared.
    now_s: at which the drift is wanted, after ``calibrated_s``.
    other_log_sd_per_30_days: relative, of what else moves the floor, per 30 days. Lower it where
        KH was tested at both ends.

    Returns
    -------
    None where the mornings are too few, or all lie within a few days.

    Raises
    ------
    OutOfRangeError: ``now_s`` is not after ``calibrated_s``.
    """
    other = as_number("other_log_sd_per_30_days", other_log_sd_per_30_days, low=0.0)
    if not now_s > calibrated_s:
        raise OutOfRangeError("now_s", now_s, f"after calibrated_s, {calibrated_s:.0f}")
    used = [one for one in mornings if calibrated_s < one.time_s <= now_s]
    if len(used) < LEAST_MORNINGS:
        return None
    day = np.array([(one.time_s - calibrated_s) / SECONDS_PER_DAY for one in used])
    if float(np.ptp(day)) < LEAST_DAYS:
        return None
    offset = np.array([-one.log_floor for one in used]) / LN10
    sd = np.array([one.log_sd for one in used]) / LN10
    slope, slope_sd, effective = _robust_slope(day, offset, sd)
    days = (now_s - calibrated_s) / SECONDS_PER_DAY
    scatter = students_t_975(int(effective) - 2) * slope_sd * days
    unseen = 1.96 * other / LN10 * days / 30.0
    half = float(np.hypot(scatter, unseen))
    drift = slope * days
    return ElectrodeDrift(drift, drift - half, drift + half, slope, len(used), days)


def _floors(
    hours: Floats, co2: Floats, seen: NDArray[np.bool_], k: Floats
) -> tuple[Floats, Floats]:
    """Level that each night falls to, and the standard deviation of its logarithm.

    Least squares of C = F + B exp(-k t), errors in proportion to C (those of pH are).

    Parameters
    ----------
    hours, co2, seen: (P, n); what is not seen does not count.
    k: 1/h, (P,).

    Returns
    -------
    (P,) each; infinite standard deviation where the night tells no level.
    """
    left = np.exp(-k[:, None] * hours)
    tells = left[:, -1] <= (1.0 - LEAST_FADED) * left[:, 0]
    weight = seen / np.square(co2)
    for _ in range(4):  # weights from the model: those from noisy values would pull it down
        line = weighted_line(left, co2, weight)
        model = line.level[:, None] + line.slope[:, None] * left
        tells &= (line.level > 0.0) & (model.min(axis=1) > 0.0)
        model = np.where(tells[:, None], model, co2)
        distance = np.abs(co2 / model - 1.0)
        middle = median_seen(np.where(seen, distance, np.nan), axis=1)
        scale = np.maximum(middle / 0.6745, 1e-4)[:, None]
        robust = np.minimum(1.0, HUBER_CUT * scale / np.maximum(distance, 1e-9))
        weight = seen * robust / np.square(model)
    variance = weighted_line(left, co2, weight).level_variance * np.square(scale[:, 0])
    # residuals of a night hang together: as if six neighbours were one value
    level = np.where(tells, line.level, 1.0)
    return level, np.where(tells, np.sqrt(6.0 * variance) / level, np.inf)


def _robust_slope(day: Floats, offset: Floats, sd: Floats) -> tuple[float, float, float]:
    """Slope, its standard deviation, and the effective number of values."""
    excess = 0.0  # variance between mornings beyond what their own errors explain
    own = np.square(sd)
    usual = median(own)
    weight = 1.0 / np.square(np.maximum(sd, 1e-3))
    robust = np.ones_like(day)
    freedom = day.size - 2.0
    for _ in range(HUBER_ROUNDS):
        line = weighted_line(day, offset, weight * robust)
        residual = offset - line.level - line.slope * day
        spread = median(np.abs(residual)) / 0.6745 * np.sqrt(day.size / freedom)
        excess = max(spread**2 - usual, 0.0)
        variance = own + excess + 1e-8
        weight = 1.0 / variance
        distance = np.abs(residual) / np.sqrt(variance)
        robust = np.minimum(1.0, HUBER_CUT / np.maximum(distance, 1e-9))
    effective = _effective_number(residual)
    slope_variance = weighted_line(day, offset, weight * robust).slope_variance
    chi = float(np.sum(weight * robust * np.square(residual))) / freedom
    stretch = max(chi, 1.0) * day.size / effective
    return float(line.slope), float(np.sqrt(slope_variance * stretch)), effective


def _effective_number(residual: Floats) -> float:
    """n (1 - r) / (1 + r) by the correlation r of neighbours (Santer et al. 2000), 5 at least."""
    total = float(np.sum(np.square(residual)))
    if total <= 1e-12:  # a straight line but for rounding
        return float(residual.size)
    r = float(np.sum(residual[1:] * residual[:-1])) / total
    # a line through few values makes r too small by about 4 / n
    r = min(max(r + 4.0 / residual.size, 0.0), 0.8)
    return max(residual.size * (1.0 - r) / (1.0 + r), 5.0)
