"""What a fitted gas exchange means for a tank: lead time, level, gas use, surface movement.

Intervals come from random draws of (k, injection) from the fit's covariance, with a fixed seed, so
the same fit always gives the same answer. They hold for the fitted days: a needle valve that
drifts or a filter that clogs changes k and injection.

Gas in a room and cylinders under pressure can kill. These numbers plan purchases and timers;
they are no safety device, and local codes on pressurised gas and ventilation come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor
from typing import Final

import numpy as np

from service.science.gas_exchange.air_water import TEMPERATURE_EXCHANGE_FACTOR
from service.science.gas_exchange.changes import FitError
from service.science.gas_exchange.fit import GasExchangeFit
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.estimate import Estimate

DRAWS: Final = 4000
_SEED: Final = 20260301


@dataclass(frozen=True)
class GasPlan:
    """Consequences of a fit, each an Estimate with its 95 % interval.

    ``lead_h`` hours of gas from the night level to the target, before lights-on; infinite where
    the target is not reached so at the present rate. ``steady_mg_l`` level that gas and loss settle
    at by day with no uptake by plants. ``night_mg_l`` level at the end of a long night.
    ``gas_g_per_day`` gas dissolved per day, a lower bound of what the cylinder loses.
    """

    target_mg_l: float
    lead_h: Estimate
    steady_mg_l: Estimate
    night_mg_l: float
    gas_g_per_day: Estimate


def gas_plan(
    fit: GasExchangeFit,
    *,
    target_mg_l: float,
    volume_l: float,
    gas_hours_per_day: float,
    temperature_c: float | None = None,
    surface_factor: float = 1.0,
    injection_factor: float = 1.0,
    dissolved_share: float = 1.0,
) -> GasPlan:
    """What a fit means for a target, and what would change with another surface or rate.

    Parameters
    ----------
    fit: with an injection.
    target_mg_l: above 0.
    volume_l: net water.
    gas_hours_per_day: 0-24.
    temperature_c: 0-40, by default the fitted days'.
    surface_factor: by which surface movement multiplies k (2: twice the exchange).
    injection_factor: by which the gas rate is turned up or down.
    dissolved_share: 0-1 of the gas that dissolves (the rest leaves as bubbles), to turn the lower
        bound of gas use into an estimate.

    Returns
    -------
    GasPlan.

    Raises
    ------
    FitError: where the fit saw no rise; OutOfRangeError.
    """
    target = as_number("target_mg_l", target_mg_l, above=0.0, unit="mg/L")
    volume = as_number("volume_l", volume_l, above=0.0, unit="L")
    hours = as_number("gas_hours_per_day", gas_hours_per_day, low=0.0, high=24.0, unit="h")
    share = as_number("dissolved_share", dissolved_share, above=0.0, high=1.0)
    surface = as_number("surface_factor", surface_factor, above=0.0)
    turned = as_number("injection_factor", injection_factor, above=0.0)
    celsius = fit.temperature_c
    if temperature_c is not None:
        celsius = as_number("temperature_c", temperature_c, low=0.0, high=40.0, unit="°C")
    drawn = draws_of(fit, DRAWS, np.random.default_rng(_SEED))
    factor = TEMPERATURE_EXCHANGE_FACTOR ** (celsius - 20.0) * surface
    k_night, k_day = drawn.k20 * factor, drawn.day_k20 * factor
    injection = drawn.injection * turned
    # at night more exchange also takes the night's excess down
    night = fit.equilibrium_mg_l + fit.night_excess_mg_l / surface
    breath = fit.night_excess_mg_l / surface * k_night
    steady = fit.equilibrium_mg_l + (breath + injection) / k_day
    # before lights-on the night's exchange holds unless it ends with the gas
    k_rise = k_day if fit.day_begins == "gas" else k_night
    rise = fit.equilibrium_mg_l + (breath + injection) / k_rise
    grams = injection * volume * hours / 1000.0 / share
    return GasPlan(
        target_mg_l=target,
        lead_h=_interval(hours_to_level(night, target, k_rise, rise)),
        steady_mg_l=_interval(steady),
        night_mg_l=float(night),
        gas_g_per_day=_interval(grams),
    )


def hours_to_level(
    start_mg_l: float, target_mg_l: float, k_per_h: Floats, steady_mg_l: Floats
) -> Floats:
    """Hours from a start to a target at constant k towards ``steady_mg_l`` (shapes broadcast).

    Returns
    -------
    0 where the start is there already, infinity where the target is at or above the steady level.
    """
    if start_mg_l >= target_mg_l:
        return np.zeros(np.broadcast_shapes(np.shape(k_per_h), np.shape(steady_mg_l)))
    room = (steady_mg_l - target_mg_l) / (steady_mg_l - start_mg_l)
    reached = room > 0.0
    ln_room = np.log(np.where(reached, room, 1.0))
    return np.asarray(np.where(reached, -ln_room / k_per_h, np.inf))


@dataclass(frozen=True)
class Draws:
    """Draws of a fit, (n,) each, the first being the fitted values: 1/h, 1/h, mg/L/h.

    ``level`` is the factor by which CO2 itself may be off in each; it is in ``injection``.
    """

    k20: Floats
    day_k20: Floats
    injection: Floats
    level: Floats


def draws_of(fit: GasExchangeFit, count: int, rng: np.random.Generator) -> Draws:
    """Draw exchange by night and day and injection from a fit with an injection.

    Raises
    ------
    FitError: where the fit saw no rise.
    """
    if fit.injection_mg_l_h is None:
        raise FitError(fit.injection_reason or "the injection rate is not known")
    logs = rng.multivariate_normal(np.zeros(3), fit.log_covariance, count, method="eigh")
    ln_level = fit.level_log_sd * rng.standard_normal(count)
    logs[0], ln_level[0] = 0.0, 0.0
    level = np.exp(ln_level)
    day = fit.k20_per_h if fit.day_k20_per_h is None else fit.day_k20_per_h
    return Draws(
        k20=float(fit.k20_per_h.value) * np.exp(logs[:, 0]),
        day_k20=float(day.value) * np.exp(logs[:, 1]),
        injection=float(fit.injection_mg_l_h.value) * np.exp(logs[:, 2]) * level,
        level=level,
    )


def _interval(draws: Floats) -> Estimate:
    # draws themselves, not between two of them: with infinity that would give NaN
    low, high = floor(0.025 * (draws.size - 1)), ceil(0.975 * (draws.size - 1))
    ranked = np.partition(draws, (low, high))
    return Estimate(*(np.asarray(one) for one in (draws[0], ranked[low], ranked[high])))
