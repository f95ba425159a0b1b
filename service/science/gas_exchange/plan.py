"""What a fitted gas exchange means for a tank: lead time, level, gas use, surface movement.

Intervals come from random draws of (k, injection) from the fit's covariance, with a fixed seed, so
the same fit always gives the same answer. They hold for the fitted days: a needle valve that
drifts or a filter that clogs changes k and injection.

Gas in a room and cylinders under pressure can kill. These numbers plan purchases and timers;
they are no safety device, and local codes on pressurised gas and ventilation come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.gas_exchange.air_water import TEMPERATURE_EXCHANGE_FACTOR
from service.science.gas_exchange.fit import LEVEL_LOG_SD, FitError, GasExchangeFit
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.estimate import Estimate

DRAWS: Final = 4000
_SEED: Final = 20260301


@dataclass(frozen=True)
class GasPlan:
    """Consequences of a fit, each an Estimate with its 95 % interval.

    ``lead_h`` hours of gas from the night level to the target, before lights-on; infinite where
    the target is not reached at the present rate. ``steady_mg_l`` level that gas and loss settle
    at with no uptake by plants. ``night_mg_l`` level at the end of a long night.
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
    level_log_sd: float = LEVEL_LOG_SD,
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
    level_log_sd: as in ``fit_gas_exchange``.

    Returns
    -------
    GasPlan.

    Raises
    ------
    FitError: where the fit saw no rise; OutOfRangeError.
    """
    if fit.injection_mg_l_h is None:
        raise FitError("no rise in the series: the injection rate is not known")
    target = as_number("target_mg_l", target_mg_l, above=0.0, unit="mg/L")
    volume = as_number("volume_l", volume_l, above=0.0, unit="L")
    hours = as_number("gas_hours_per_day", gas_hours_per_day, low=0.0, high=24.0, unit="h")
    share = as_number("dissolved_share", dissolved_share, above=0.0, high=1.0)
    surface = as_number("surface_factor", surface_factor, above=0.0)
    turned = as_number("injection_factor", injection_factor, above=0.0)
    level_sd = as_number("level_log_sd", level_log_sd, low=0.0)
    celsius = fit.temperature_c
    if temperature_c is not None:
        celsius = as_number("temperature_c", temperature_c, low=0.0, high=40.0, unit="°C")
    k20, injection_draws = _draws(fit, fit.injection_mg_l_h.value, level_sd)
    k = k20 * TEMPERATURE_EXCHANGE_FACTOR ** (celsius - 20.0) * surface
    injection = injection_draws * turned
    # at night more exchange also takes the night's excess down
    night = fit.equilibrium_mg_l + fit.night_excess_mg_l / surface
    steady = night + injection / k
    grams = injection * volume * hours / 1000.0 / share
    return GasPlan(
        target_mg_l=target,
        lead_h=_interval(hours_to_level(night, target, k, steady)),
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


def _draws(fit: GasExchangeFit, injection: Floats, level_sd: float) -> tuple[Floats, Floats]:
    """k20 and injection, the first draw being the fitted values themselves."""
    rng = np.random.default_rng(_SEED)
    pairs = rng.multivariate_normal(np.zeros(2), fit.log_covariance, DRAWS)
    level = level_sd * rng.standard_normal(DRAWS)
    pairs[0], level[0] = 0.0, 0.0
    k20 = float(fit.k20_per_h.value) * np.exp(pairs[:, 0])
    return k20, float(injection) * np.exp(pairs[:, 1] + level)


def _interval(draws: Floats) -> Estimate:
    # "higher" and "lower" pick a draw: interpolation with infinity would give NaN
    low = np.quantile(draws, 0.025, method="lower")
    high = np.quantile(draws, 0.975, method="higher")
    return Estimate(value=np.asarray(draws[0]), low=np.asarray(low), high=np.asarray(high))
