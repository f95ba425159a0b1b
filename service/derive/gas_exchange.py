"""Gas exchange of a tank, fitted to its own series, and what it means for its target."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from service.derive.co2.calibration import probe_history
from service.derive.co2.kh import kh_at
from service.derive.co2.lit import Lit
from service.derive.co2.series import co2_series, interpolated
from service.derive.co2.target import Target, target_of
from service.derive.inputs import Inputs
from service.derive.light.days import first_day, lit_times
from service.derive.light.source import light_source_of
from service.derive.models.co2 import Co2Series
from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.derive.thresholds import derived_limit
from service.registry.models.log import Lever, LogEntry, LogKind
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.science.constants import LN10
from service.science.gas_exchange.air_water import pressure_atm_from_altitude
from service.science.gas_exchange.changes import FitError, GasChange, Hints
from service.science.gas_exchange.fit import GasExchangeFit, fit_gas_exchange
from service.science.gas_exchange.plan import GasPlan, gas_plan
from service.science.numeric.estimate import Z95, Estimate
from service.store.model import Samples
from service.times import to_us

FIT_DAYS: Final = 10
"""Days that are fitted: enough nights to outvote a bad one, few enough to follow changes."""

LEAST_SAMPLES: Final = 50
MOST_RATIO: Final = 4.0
"""A coefficient whose interval spans a wider ratio is not reported. Our choice."""

CHANGE_BEFORE: Final = timedelta(minutes=30)
CHANGE_AFTER: Final = timedelta(minutes=90)
"""Around the time that a water change is logged for, CO2 tells of the new water. Our choice."""


def gas_exchange(inputs: Inputs, co2: Callable[[Inputs], Co2Series] = co2_series) -> GasModel:
    """Gas exchange fitted to the days of the inputs.

    Args:
        co2: gives CO2 at each pH sample of them, as ``co2_series``.
    """
    tank, now = inputs.tank, inputs.now
    return gas_model_of(
        tank,
        now,
        co2(inputs),
        inputs.series("temperature"),
        lit_times(tank, light_source_of(inputs), first_day(inputs), now),
        target_of(tank, inputs.tolerance.co2_comfortable_mg_l),
        net_volume_l(tank),
        inputs.log,
    )


def gas_hours_per_day(tank: Tank) -> float:
    """Hours of gas per day by plan; 24 where it is not switched."""
    plan = tank.gas
    if plan.start is None or plan.end is None:
        return 24.0
    on = plan.start.hour + plan.start.minute / 60
    off = plan.end.hour + plan.end.minute / 60
    return (off - on) % 24.0


def gas_model_of(
    tank: Tank,
    now: datetime,
    series: Co2Series,
    temperature: Samples,
    light: Lit | None,
    target: Target,
    volume_l: float | None,
    log: Sequence[LogEntry] = (),
) -> GasModel:
    """Fit gas exchange to the last days and work out what it means.

    The gas times are found in the series: a timer that is off by an hour, or a valve that
    hangs, must not be fitted as if it followed its plan. The log has what may have changed them.

    Args:
        light: when the lamp was on; None where that is not known.
    """
    if not tank.co2_injected:
        return GasModel(None, now, reason="no CO2 is injected")
    known = ~np.isnan(series.value) & ~_at_water_changes(series.time_us, log)
    if np.count_nonzero(known) < LEAST_SAMPLES:
        return GasModel(None, now, reason="too few CO2 values for a fit")
    time_us, value = series.time_us[known], series.value[known]
    celsius, backed = interpolated(temperature, time_us, 7_200_000_000)
    celsius = np.where(backed, celsius, derived_limit(tank, "assumed_temperature_c"))
    lit = np.zeros(time_us.shape, np.bool_)
    for on, off in light or ():
        lit[slice(*np.searchsorted(time_us, (to_us(on), to_us(off) + 1)))] = True
    try:
        with np.errstate(over="ignore", invalid="ignore"):
            fit = fit_gas_exchange(
                time_us / 1e6,
                value,
                np.clip(celsius, 0.0, 40.0),
                lit=None if light is None else lit,
                hints=_hints(log),
                pressure_atm=float(pressure_atm_from_altitude(tank.altitude_m)),
                level_log_sd=_level_log_sd(tank, log, int(time_us[-1])),
            )
    except FitError as error:
        return GasModel(None, now, reason=str(error))
    if not _narrow(fit.k20_per_h):
        return GasModel(None, now, reason="the nights differ too much to fit the gas exchange")
    return _with_plan(tank, now, fit, target, volume_l)


def _with_plan(
    tank: Tank, now: datetime, fit: GasExchangeFit, target: Target, volume_l: float | None
) -> GasModel:
    notes = tuple(_notes(tank, fit))
    if fit.injection_mg_l_h is None or not _is_fitted(fit):
        why = fit.injection_reason or "the injection rate is known too poorly"
        return GasModel(fit, now, reason=why, notes=notes)
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
        reason="" if volume_l else "the net volume is not known, so CO2 use can't be worked out",
        notes=notes + tuple(_on_the_target(plan)),
    )


def _on_the_target(plan: GasPlan) -> list[str]:
    """What the lead time to the target says, where it is not simply a number."""
    if np.isfinite(float(plan.lead_h.high)):
        return []
    if not np.isfinite(float(plan.lead_h.value)):
        if float(plan.steady_mg_l.value) > plan.target_mg_l:
            return [
                "the target is not reached before lights-on, since the stronger exchange of the "
                "night lasts until then; it is reached by day"
            ]
        return ["the target is not reached at the present injection rate"]
    return ["whether the target is reached at the present rate is not sure"]


def _notes(tank: Tank, fit: GasExchangeFit) -> list[str]:
    """What the fit found beside its numbers."""
    notes = [_changed(tank, one) for one in fit.changes]
    own = fit.day_k20_per_h
    if own is not None and not own.low <= fit.k20_per_h.value <= own.high:
        night, day = float(fit.k20_per_h.value), float(own.value)
        begins = "the CO2 comes on" if fit.day_begins == "gas" else "the lamp comes on"
        stronger = "stronger" if night > day else "weaker"
        notes.append(
            f"the exchange with air is {max(night, day) / min(night, day):.1f} times "
            f"{stronger} at night than after {begins}"
        )
    return notes


def _changed(tank: Tank, one: GasChange) -> str:
    when = datetime.fromtimestamp(one.since_s, UTC).astimezone(ZoneInfo(tank.time_zone))
    of, unit, digits = ("exchange with air", "/h", 2)
    if one.of == "injection":
        of, unit, digits = "CO2 flow", " mg/L/h", 1
    return (
        f"the {of} changed from {one.before:.{digits}f} to {one.after:.{digits}f}{unit}, seen "
        f"since {when:%Y-%m-%d}: only what came after counts"
    )


def _hints(log: Sequence[LogEntry]) -> Hints:
    """When the log has something that may have changed exchange or injection."""
    exchange, injection = [], []
    for entry in log:
        if entry.kind in (LogKind.FILTER_CLEAN, LogKind.WATER_CHANGE):
            exchange.append(entry.time.timestamp())
        elif (
            entry.kind == LogKind.CYLINDER
            or (entry.kind == LogKind.ADJUSTMENT and entry.data.get("lever") == Lever.GAS_FLOW)
            or (entry.kind == LogKind.CALIBRATION and entry.data.get("quantity", "ph") == "ph")
        ):
            injection.append(entry.time.timestamp())
    return Hints(tuple(exchange), tuple(injection))


def _at_water_changes(
    time_us: npt.NDArray[np.int64], log: Sequence[LogEntry]
) -> npt.NDArray[np.bool_]:
    """Which moments lie around a water change."""
    inside = np.zeros(time_us.shape, np.bool_)
    for entry in log:
        if entry.kind == LogKind.WATER_CHANGE:
            first, last = to_us(entry.time - CHANGE_BEFORE), to_us(entry.time + CHANGE_AFTER)
            inside |= (time_us >= first) & (time_us <= last)
    return inside


def _level_log_sd(tank: Tank, log: Sequence[LogEntry], time_us: int) -> float:
    """Relative standard deviation of the CO2 level: of KH and of the pH probe's calibration."""
    at = np.array([time_us], np.int64)
    kh = kh_at(tank, log, at)
    # the limits of a count of drops are those of an even distribution: sd = half width / sqrt(3)
    sd = float(np.hypot(kh.sd_meq_l[0], kh.half_width_meq_l[0] / 3.0**0.5))
    of_kh = float(np.log1p((sd / max(float(kh.value_meq_l[0]), 1e-3)) ** 2)) ** 0.5
    return float(np.hypot(of_kh, LN10 * float(probe_history(tank, log).sd_ph(at)[0])))


def plain_estimate(one: Estimate) -> EstimatedValue:
    """An estimate of one value as plain floats."""
    return EstimatedValue(float(one.value), float(one.low), float(one.high))


def _is_fitted(fit: GasExchangeFit) -> bool:
    """Whether the rises agree on an injection; the error of the CO2 level scales it as a whole."""
    log_sd = float(fit.log_covariance[2, 2]) ** 0.5
    return bool(np.exp(2.0 * Z95 * log_sd) <= MOST_RATIO)


def _narrow(one: Estimate) -> bool:
    """Whether an interval is narrow enough to be reported."""
    low, high = float(one.low), float(one.high)
    return bool(np.isfinite(high)) and low > 0 and high / low <= MOST_RATIO
