"""Exchange coefficient and injection rate of a tank from its own CO2 series.

    gas off   C(t) = A + (C0 - A) exp(-k t)                        ``nights``
    gas on    dC/dt = J - U l C / (C + K) - k (C - A)               ``rises``

with A = C_eq + a, k = k20 * 1.024^(t - 20); a, the excess over air that fish, plants and soil
uphold; J, the injection; U, the plants' uptake in the light. Each night has its own k and each day
its own J, so that a change shows: where their level changes for good (optimal partitioning,
``numeric.change_points``; entries of the log make a change there likelier) the newest stretch
counts alone. The exchange of the day may differ from that of the night (an air stone at night):
where the days cannot be explained by the nights' exchange they get their own. Gas that a pH
controller switches is refused, and so is a tank whose newest night or day fits nothing before it.

The intervals allow for residuals that hang together within a phase, for nights and days that differ
more than their residuals tell, for few of them, and for the electrode's slope. k does not depend on
the electrode's offset or on the KH; J is in proportion to the CO2 level, so the level's own error
is added to its interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from service.science.gas_exchange.air_water import CO2_PPM_ROOM, co2_air_equilibrium_mg_l
from service.science.gas_exchange.changes import NO_HINTS, GasChange, Hints
from service.science.gas_exchange.day_exchange import DayExchange
from service.science.gas_exchange.night_exchange import NightExchange
from service.science.gas_exchange.phases import binned, phases_from_schedule, phases_from_turns
from service.science.gas_exchange.rise_equations import ChangesWith
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.estimate import Estimate, from_log_sd

LEVEL_LOG_SD: Final = 0.10
"""Relative standard deviation of the CO2 level itself where the caller knows none: KH to 0.3 dKH of
4 and pH to 0.03."""
INJECTION_KNOWN_LOG_SD: Final = 0.7
"""An injection known no better than to a factor of 4 either way is not known."""


@dataclass(frozen=True)
class GasExchangeFit:
    """What a tank's own series tells of its gas exchange.

    ``k20_per_h`` exchange coefficient at 20 °C with the gas off, 1/h; ``day_k20_per_h`` that of the
    day, None where it does not differ; ``day_begins`` with what it begins, "gas" or "lamp";
    ``injection_mg_l_h`` injection, None where no usable rise was seen; ``night_excess_mg_l`` CO2
    above air equilibrium at a long night's end; ``equilibrium_mg_l`` with air and
    ``temperature_c``, means of the phases; ``log_covariance`` of (ln k20, ln k20 by day, ln
    injection), shape (3, 3), without what is common to the level; ``level_log_sd`` of the level;
    ``scatter_ln`` robust standard deviation of ln CO2; ``nights``, ``rises`` phases used;
    ``source`` "schedule" where the gas times were given, "turns" where they were found; ``changes``
    found, after which the fit begins.
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
    day_k20_per_h: Estimate | None = None
    day_begins: ChangesWith = "gas"
    level_log_sd: float = LEVEL_LOG_SD
    changes: tuple[GasChange, ...] = ()
    injection_reason: str = ""


def fit_gas_exchange(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    gas_on_s: Sequence[tuple[float, float]] | None = None,
    lit: ArrayLike | None = None,
    hints: Hints = NO_HINTS,
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
    lit: (n,) whether the lamp was on: lit samples are kept out of decays, and uptake is fitted to
        those of days that have an hour of gas in the dark. Without it the injection is net of
        what plants take up in the first two hours.
    hints: changes in the log; they are believed where the residuals agree.
    co2_ppm: of the room's air.
    level_log_sd: relative standard deviation of the CO2 level, by its KH and its calibration.

    Returns
    -------
    GasExchangeFit with 95 % intervals.

    Raises
    ------
    FitError: no usable night is in the series, gas is switched by pH, or the newest night or day
    fits nothing before it; OutOfRangeError naming a bad parameter.
    """
    level_sd = as_number("level_log_sd", level_log_sd, low=0.0)
    series = binned(time_s, co2_mg_l, temperature_c, lit)
    phases = (
        phases_from_turns(series) if gas_on_s is None else phases_from_schedule(series, gas_on_s)
    )
    air = co2_air_equilibrium_mg_l(series.temperature_c, co2_ppm=co2_ppm, pressure_atm=pressure_atm)
    dark = NightExchange.of(series, phases, air, hints)
    day = DayExchange.of(series, phases, air, hints, dark, lamp_known=lit is not None)
    covariance, ln_k_day, ln_injection = _combined(dark, day)
    injection, why_not = None, day.reason
    if day.segment is not None and not why_not:
        log_sd = float(covariance[2, 2] ** 0.5)
        if log_sd < INJECTION_KNOWN_LOG_SD:
            injection = _estimate(ln_injection, float(np.hypot(log_sd, level_sd)))
        else:
            why_not = "the mornings differ too much to fit the injection rate"
    rows = dark.rows
    return GasExchangeFit(
        k20_per_h=_estimate(dark.segment.mean + day.shift, float(covariance[0, 0] ** 0.5)),
        injection_mg_l_h=injection,
        night_excess_mg_l=dark.nights.excess_mg_l,
        equilibrium_mg_l=float(np.mean(rows.air)),
        temperature_c=float(np.mean(series.temperature_c)),
        log_covariance=covariance,
        scatter_ln=dark.nights.scatter,
        nights=len(rows) - dark.segment.first,
        rises=0 if day.segment is None else day.used,
        source="turns" if gas_on_s is None else "schedule",
        day_k20_per_h=_estimate(ln_k_day, float(covariance[1, 1] ** 0.5)) if day.differs else None,
        day_begins=day.begins,
        level_log_sd=level_sd,
        changes=tuple(one for one in (dark.change, day.change) if one is not None),
        injection_reason=why_not,
    )


def _combined(dark: NightExchange, day: DayExchange) -> tuple[Floats, float, float]:
    """Covariance of (ln k, ln k by day, ln J), ln k by day, and ln J."""
    night = dark.segment.mean + day.shift
    night_var = day.night_sd**2
    day_var = night_var + (day.delta_sd**2 if day.differs else 0.0)
    covariance = np.array([[night_var, night_var, 0.0], [night_var, day_var, 0.0], [0.0, 0.0, 0.0]])
    if day.segment is None:
        covariance[2, 2] = INJECTION_KNOWN_LOG_SD**2
        return covariance, night, 0.0
    # J follows k by day: with one exchange that of the night, else both
    by_night = day.by_delta
    by_day = day.by_delta
    covariance[0, 2] = covariance[2, 0] = by_night * night_var
    covariance[1, 2] = covariance[2, 1] = by_day * day_var
    covariance[2, 2] = day.segment.sd**2 + by_day**2 * day_var
    return covariance, night + (day.delta if day.differs else 0.0), day.segment.mean


def _estimate(ln_value: float, log_sd: float) -> Estimate:
    return from_log_sd(np.exp(np.float64(ln_value)), np.float64(log_sd))  # type: ignore[arg-type]
