"""Exchange coefficient and injection rate of a tank from its own CO2 series.

    decay (gas off)  C(t) = A + (C0 - A) exp(-k t)            A = C_eq + a
    rise  (gas on)   C(t) = S + (C0 - S) exp(-k t)            S = A + J / k

with k = k20 * 1.024^(t - 20), common to all phases; a, the excess over air that fish, plants
and soil uphold at night; J, the injection (net of uptake where the lamp is on); C0 free for each
phase. Fitted to ln C, since the error is one of pH, by Levenberg-Marquardt with Tukey
weights; C0 is eliminated from the normal equations, so a month of nights costs little.

The intervals allow for residuals that hang together within a phase and
for nights that differ more than their residuals tell (sandwich estimate over phases).
k does not depend on the electrode's offset or on the KH; J is proportional to the CO2 level, so
the level's own error is added to its interval.

Sources: first-order exchange as in ``gas_exchange``; Tukey weights: Holland & Welsch 1977,
Commun. Stat. A6:813-827; sandwich: Liang & Zeger 1986, Biometrika 73:13-22 (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.science.gas_exchange.air_water import (
    CO2_PPM_ROOM,
    TEMPERATURE_EXCHANGE_FACTOR,
    co2_air_equilibrium_mg_l,
)
from service.science.gas_exchange.least_squares import (
    NIGHT_EXCESS_PRIOR_MG_L,
    PhaseData,
    solve,
)
from service.science.gas_exchange.phases import (
    Phase,
    Series,
    binned,
    phases_from_schedule,
    phases_from_turns,
)
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.estimate import Z95, Estimate, from_log_sd, students_t_975

LEVEL_LOG_SD: Final = 0.10
"""Relative standard deviation of the CO2 level itself: KH to 0.3 dKH of 4 and pH to 0.03."""
SLOPE_SD: Final = 0.015
"""Relative standard deviation of the electrode's slope; it scales ln C and so k. Our choice."""

INJECTION_KNOWN_LOG_SD: Final = 0.7
"""An injection known no better than to a factor of 4 either way is not known."""

K_RANGE_PER_H: Final = (0.01, 5.0)
LEAST_FALL_LN: Final = 0.3
"""A decay that falls by less than this in ln CO2 says nothing of k by itself."""


class FitError(ValueError):
    """The series does not hold what the fit needs; the message says what is missing."""


@dataclass(frozen=True)
class GasExchangeFit:
    """What a tank's own series tells of its gas exchange.

    ``k20_per_h`` exchange coefficient at 20 °C, 1/h; ``injection_mg_l_h`` injection, None where
    no usable rise was seen; ``night_excess_mg_l`` CO2 above air equilibrium at a long night's end;
    ``equilibrium_mg_l`` with air and ``temperature_c``, means of the phases; ``log_covariance`` of
    (ln k20, ln injection), shape (2, 2), without what is common to the level;
    ``scatter_ln`` robust standard deviation of ln CO2; ``nights``, ``rises`` phases used;
    ``source`` "schedule" where the gas times were given, "turns" where they were found.
    """

    k20_per_h: Estimate
    injection_mg_l_h: Estimate | None
    night_excess_mg_l: float
    equilibrium_mg_l: float
    temperature_c: float
    log_covariance: Floats
    scatter_ln: float
    nights: int
    rises: int
    source: Literal["schedule", "turns"]


def fit_gas_exchange(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    gas_on_s: Sequence[tuple[float, float]] | None = None,
    lit: ArrayLike | None = None,
    co2_ppm: float = CO2_PPM_ROOM,
    pressure_atm: float = 1.0,
    level_log_sd: float = LEVEL_LOG_SD,
) -> GasExchangeFit:
    """Fit k and the injection rate to a CO2 series.

    Parameters
    ----------
    time_s: unix seconds UTC, shape (n,), in any order, with gaps or not.
    co2_mg_l: from ``carbonate.co2_mg_l``, (n,), NaN where unknown.
    temperature_c: (n,) or one number, 0-40.
    gas_on_s: (on, off) pairs in unix seconds where the times are known, else they are found from
        the series.
    lit: (n,) whether the lamp was on: lit samples are kept out of decays, and out of rises that
        have an hour of dark.
    co2_ppm: of the room's air.
    level_log_sd: relative standard deviation of the CO2 level.

    Returns
    -------
    GasExchangeFit with 95 % intervals.

    Raises
    ------
    FitError: no usable night is in the series; OutOfRangeError naming a bad parameter.
    """
    level_sd = as_number("level_log_sd", level_log_sd, low=0.0)
    series = binned(time_s, co2_mg_l, temperature_c, lit)
    phases = (
        phases_from_turns(series) if gas_on_s is None else phases_from_schedule(series, gas_on_s)
    )
    air = co2_air_equilibrium_mg_l(series.temperature_c, co2_ppm=co2_ppm, pressure_atm=pressure_atm)
    data = _gather(series, phases, air)
    found = solve(data, _first_guess(data))
    nights = sum(phase.kind == "decay" for phase in phases)
    rises = len(phases) - nights
    # k and J: their errors, and on top of k's the electrode's slope
    covariance = found.covariance[np.ix_([0, 2], [0, 2])] * _small_sample_stretch(len(phases))
    covariance[0, 0] += SLOPE_SD**2
    injection = None
    if rises and covariance[1, 1] < INJECTION_KNOWN_LOG_SD**2:
        injection = _estimate(found.common[2], float(np.hypot(covariance[1, 1] ** 0.5, level_sd)))
    return GasExchangeFit(
        k20_per_h=_estimate(found.common[0], float(covariance[0, 0] ** 0.5)),
        injection_mg_l_h=injection,
        night_excess_mg_l=float(found.common[1]),
        equilibrium_mg_l=float(np.mean(data.equilibrium)),
        temperature_c=float(np.mean(series.temperature_c)),
        log_covariance=covariance,
        scatter_ln=found.scatter,
        nights=nights,
        rises=rises,
        source="turns" if gas_on_s is None else "schedule",
    )


def _gather(series: Series, phases: list[Phase], air: Floats) -> PhaseData:
    if not any(phase.kind == "decay" for phase in phases):
        raise FitError(
            "no night with the gas off in the series: need an hour or more of CO2 values after "
            "gas-off, over which CO2 falls"
        )
    rows: list[tuple[Floats, ...]] = []
    for number, phase in enumerate(phases):
        part = slice(phase.first, phase.last + 1)
        hours = (series.time_s[part] - series.time_s[phase.first]) / 3600.0
        one = np.ones(hours.size)
        # exchange runs faster in warm water: time is stretched by k's factor, mean 1
        factors = TEMPERATURE_EXCHANGE_FACTOR ** (series.temperature_c[part] - 20.0)
        steps = 0.5 * (factors[1:] + factors[:-1]) * np.diff(hours)
        stretched = np.concatenate([[0.0], np.cumsum(steps)])
        factor = stretched[-1] / hours[-1]
        hours = stretched / factor
        level = float(np.mean(air[part]))
        is_rise = float(phase.kind == "rise")
        rows.append(
            (hours, series.ln_co2[part], number * one, factor * one, level * one, is_rise * one)
        )
    hours, ln_co2, numbers, factor_rows, levels, rise = (
        np.concatenate(column) for column in zip(*rows, strict=True)
    )
    return PhaseData(hours, ln_co2, numbers.astype(np.int64), factor_rows, levels, rise > 0.5)


def _first_guess(data: PhaseData) -> Floats:
    """(ln k20, a, ln J) by medians over phases, so that one bad night is outvoted."""
    phases = [data.phase == number for number in range(data.starts.size)]
    rates = [_decay_rate(data, rows) for rows in phases if not data.rise[rows][0]]
    known = [rate for rate in rates if rate is not None]
    if not known:
        raise FitError(
            f"no night over which CO2 falls by more than a factor of {np.exp(LEAST_FALL_LN):.2f}"
        )
    k20 = float(np.clip(np.median(known), *K_RANGE_PER_H))
    gains = []
    for rows in phases:
        if data.rise[rows][0]:
            co2, hours = np.exp(data.ln_co2[rows]), data.hours[rows]
            loss = k20 * data.factor[rows][0] * float(np.mean(co2 - data.equilibrium[rows]))
            gains.append(float(np.polyfit(hours, co2, 1)[0]) + loss)
    gain = max(float(np.median(gains)), 1e-2) if gains else 1.0
    return np.array([np.log(k20), NIGHT_EXCESS_PRIOR_MG_L[0], np.log(gain)])


def _decay_rate(data: PhaseData, rows: NDArray[np.bool_]) -> float | None:
    """k20 of one decay by a straight line through ln(C - C_eq); None if it hardly falls."""
    above = np.exp(data.ln_co2[rows]) - data.equilibrium[rows]
    use = above > max(0.15 * float(np.max(above)), 0.5)
    fall = float(data.ln_co2[rows][0] - np.min(data.ln_co2[rows]))
    if np.count_nonzero(use) < 3 or fall < LEAST_FALL_LN:
        return None
    slope = float(np.polyfit(data.hours[rows][use], np.log(above[use]), 1)[0])
    return -slope / float(data.factor[rows][0])


def _small_sample_stretch(phases: int) -> float:
    """Variance factor (t / z)² for ``phases`` + 1 degrees of freedom."""
    return (students_t_975(phases + 1) / Z95) ** 2


def _estimate(ln_value: float, log_sd: float) -> Estimate:
    return from_log_sd(np.exp(np.float64(ln_value)), np.float64(log_sd))  # type: ignore[arg-type]
