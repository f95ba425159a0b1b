"""Gas exchange of a tank, fitted to its own series, and what it means for its target."""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np

from service.derive.co2.series import co2_series, interpolated
from service.derive.co2.target import Target, target_of
from service.derive.inputs import Inputs
from service.derive.light import first_day, light_days_of
from service.derive.light_source import light_source_of
from service.derive.models import Co2Series, EstimatedValue, GasModel, LightDay
from service.derive.thresholds import derived_limit
from service.registry.models import Tank
from service.registry.volume import net_volume_l
from service.science.gas_exchange.air_water import pressure_atm_from_altitude
from service.science.gas_exchange.fit import FitError, GasExchangeFit, fit_gas_exchange
from service.science.gas_exchange.plan import GasPlan, gas_plan
from service.science.numeric.estimate import Estimate
from service.store.model import Samples

FIT_DAYS: Final = 10
"""Days that are fitted: enough nights to outvote a bad one, few enough to follow changes."""

LEAST_SAMPLES: Final = 50
MOST_RATIO: Final = 4.0
"""A coefficient whose interval spans a wider ratio is not reported. Our choice."""


def gas_exchange(inputs: Inputs) -> GasModel:
    """Gas exchange fitted to the days of the inputs."""
    tank, now = inputs.tank, inputs.now
    return gas_model_of(
        tank,
        now,
        co2_series(inputs),
        inputs.series("temperature"),
        light_days_of(tank, light_source_of(inputs), first_day(inputs), now),
        target_of(tank, inputs.tolerance.co2_comfortable_mg_l),
        net_volume_l(tank),
    )


def gas_hours_per_day(tank: Tank) -> float:
    """Hours of gas per day by plan; 24 where it is not switched."""
    plan = tank.photoperiod
    if plan.gas_on is None or plan.gas_off is None:
        return 24.0
    on = plan.gas_on.hour + plan.gas_on.minute / 60
    off = plan.gas_off.hour + plan.gas_off.minute / 60
    return (off - on) % 24.0


def gas_model_of(
    tank: Tank,
    now: datetime,
    series: Co2Series,
    temperature: Samples,
    days: tuple[LightDay, ...],
    target: Target,
    volume_l: float | None,
) -> GasModel:
    """Fit gas exchange to the last days and work out what it means.

    The gas times are found in the series: a timer that is off by an hour, or a valve that
    hangs, must not be fitted as if it followed its plan.
    """
    if not tank.co2_injected:
        return GasModel(None, now, reason="no gas is injected")
    known = ~np.isnan(series.value)
    if np.count_nonzero(known) < LEAST_SAMPLES:
        return GasModel(None, now, reason="too few CO2 values for a fit")
    time_us, value = series.time_us[known], series.value[known]
    celsius, backed = interpolated(temperature, time_us, 7_200_000_000)
    celsius = np.where(backed, celsius, derived_limit(tank, "assumed_temperature_c"))
    lit = np.zeros(time_us.shape, np.bool_)
    for day in days:
        for on, off in day.lit:
            lit |= (time_us >= on.timestamp() * 1e6) & (time_us <= off.timestamp() * 1e6)
    try:
        with np.errstate(over="ignore", invalid="ignore"):
            fit = fit_gas_exchange(
                time_us / 1e6,
                value,
                np.clip(celsius, 0.0, 40.0),
                lit=lit if days else None,
                pressure_atm=float(pressure_atm_from_altitude(tank.altitude_m)),
            )
    except FitError as error:
        return GasModel(None, now, reason=str(error))
    if not _narrow(fit.k20_per_h):
        return GasModel(None, now, reason="the nights differ too much to fit the gas exchange")
    return _with_plan(tank, now, fit, target, volume_l)


def _with_plan(
    tank: Tank, now: datetime, fit: GasExchangeFit, target: Target, volume_l: float | None
) -> GasModel:
    if fit.injection_mg_l_h is None or not _narrow(fit.injection_mg_l_h):
        return GasModel(fit, now, reason="no morning rise to fit the injection rate to")
    plan: GasPlan = gas_plan(
        fit,
        target_mg_l=max(target.low_mg_l, 1.0),
        volume_l=volume_l or 1.0,
        gas_hours_per_day=gas_hours_per_day(tank),
    )
    return GasModel(
        fit,
        now,
        lead_h=plain_estimate(plan.lead_h),
        steady_mg_l=plain_estimate(plan.steady_mg_l),
        gas_g_per_day=None if volume_l is None else plain_estimate(plan.gas_g_per_day),
        reason="" if volume_l else "the net volume is not known: no gas use",
    )


def plain_estimate(one: Estimate) -> EstimatedValue:
    """An estimate of one value as plain floats."""
    return EstimatedValue(float(one.value), float(one.low), float(one.high))


def _narrow(one: Estimate) -> bool:
    """Whether an interval is narrow enough to be reported."""
    low, high = float(one.low), float(one.high)
    return bool(np.isfinite(high)) and low > 0 and high / low <= MOST_RATIO
