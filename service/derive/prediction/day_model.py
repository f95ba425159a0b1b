"""A settled day of a tank: light, gas, heat and CO2, with the spread of what is not known.

    dC/dt = J g - k(T) s (C - C_eq(T)) + R - U l C / (C + K),    k(T) = k20 1.024^(T - 20)

J injection while the gas is on (g), s a factor on surface exchange, R what respiration gives (it
upholds the fitted excess over air at night), U the uptake in full light (l) at ample CO2. k20, by
night and day, J and R come from the fit of the tank's nights and days; U from its days: what the
lit hours lack. The day is run until it begins as it ends.

It holds for days like the fitted ones: it knows no clogging diffuser and no weather to come.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from statistics import median
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.local_time import local_day, local_midnight
from service.derive.models.co2 import Array
from service.derive.models.quality import EstimatedValue
from service.derive.models.tank_view import TankView
from service.derive.thresholds import derived_limit
from service.registry.models.tank import Tank
from service.science.gas_exchange.air_water import (
    CO2_PPM_ROOM,
    TEMPERATURE_EXCHANGE_FACTOR,
    co2_air_equilibrium_mg_l,
    pressure_atm_from_altitude,
)
from service.science.gas_exchange.fit import GasExchangeFit
from service.science.gas_exchange.plan import draws_of
from service.science.gas_exchange.rise_equations import HALF_UPTAKE_MG_L, ChangesWith
from service.science.numeric.ranks import quantiles
from service.store.model import Samples
from service.times import from_us

STEP_MIN: Final = 5
STEPS: Final = 1440 // STEP_MIN
DAYS_TO_SETTLE: Final = 3
DRAWS: Final = 300
SEED: Final = 20260311

HEAT_EXCHANGE_PER_H: Final = 1 / 12
HEAT_EXCHANGE_LOG_SD: Final = 0.4
"""Exchange of heat with the room: 12 h for 180 L, 5 h for 20 L, 20 h for 1000 L (glass in still
air, from memory); one value for all, with a spread that covers them."""

AFTER_START_H: Final = 1.5
"""CO2 is taken to be level so long after lights-on. Our choice."""

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Band:
    """A course with its 95 % interval, arrays of one length."""

    value: Array
    low: Array
    high: Array


@dataclass(frozen=True, slots=True)
class Setting:
    """A day's settings: lamp and gas in each step, factors on gas flow and surface exchange."""

    lit: Flags
    gas: Flags
    injection: float
    surface: float


@dataclass(frozen=True, slots=True)
class Draws:
    """Parameters, (DRAWS,) each; the first element is the fitted value itself.

    k20, day_k20 1/h, by night and day; injection mg/L/h; respiration mg/L/h; uptake mg/L/h at ample
    CO2; lamp_k_h warming by the lamp, K/h; heat_per_h exchange of heat, 1/h. ``day_begins`` with
    what the exchange of the day begins.
    """

    k20: Array
    day_k20: Array
    injection: Array
    respiration: Array
    uptake: Array
    lamp_k_h: Array
    heat_per_h: Array
    day_begins: ChangesWith = "gas"


@dataclass(frozen=True, slots=True)
class Course:
    """CO2, mg/L, and temperature, °C, of a settled day: (DRAWS, STEPS) each."""

    co2: Array
    temperature: Array


def setting_of(tank: Tank, injection: float, surface: float) -> Setting:
    """The settings of a tank's plans; gas that is not switched is on all day."""
    lit = _span(tank.light.start, tank.light.photoperiod_h)
    start, end = tank.gas.start, tank.gas.end
    if start is None or end is None:
        gas = np.ones(STEPS, np.bool_)
    else:
        gas = _span(start, (_minute(end) - _minute(start)) % 1440 / 60)
    return Setting(lit, gas, injection, surface)


def daily_profile(tank: Tank, temperature: Samples) -> Array:
    """Mean temperature over the local day, (STEPS,) °C; the assumed one where none is known."""
    if not len(temperature):
        return np.full(STEPS, derived_limit(tank, "assumed_temperature_c"))
    last = from_us(int(temperature.time_us[-1]))
    midnight_s = local_midnight(tank, local_day(tank, last)).timestamp()
    step = (((temperature.time_s - midnight_s) % 86_400) // (60 * STEP_MIN)).astype(np.int64)
    count = np.bincount(step, minlength=STEPS)
    total = np.bincount(step, weights=temperature.value, minlength=STEPS)
    known = np.flatnonzero(count)
    means = total[known] / count[known]
    return np.asarray(np.interp(np.arange(STEPS), known, means, period=STEPS))


def drawn(view: TankView, fit: GasExchangeFit, now: Setting, profile: Array) -> Draws:
    """Draw the parameters from what is known of them.

    Args:
        fit: with an injection.
        now: the present settings, under which the days were seen.
        profile: (STEPS,) °C.
    """
    rng = np.random.default_rng(SEED)
    of_fit = draws_of(fit, DRAWS, rng)
    normal = rng.standard_normal((DRAWS, 2))
    normal[0] = 0.0
    factor = TEMPERATURE_EXCHANGE_FACTOR ** (fit.temperature_c - 20.0)
    respiration = of_fit.k20 * factor * fit.night_excess_mg_l
    return Draws(
        k20=of_fit.k20,
        day_k20=of_fit.day_k20,
        injection=of_fit.injection,
        respiration=respiration,
        uptake=_uptake(
            view, fit, of_fit.day_k20 * factor, of_fit.injection, respiration, of_fit.level
        ),
        lamp_k_h=np.maximum(_lamp_warming(profile, now.lit) * (1 + 0.5 * normal[:, 0]), 0.0),
        heat_per_h=HEAT_EXCHANGE_PER_H * np.exp(HEAT_EXCHANGE_LOG_SD * normal[:, 1]),
        day_begins=fit.day_begins,
    )


def settled_day(tank: Tank, then: Setting, now: Setting, draws: Draws, profile: Array) -> Course:
    """Run the day under other settings until it repeats itself.

    Args:
        now: the settings under which ``profile`` was seen.
    """
    temperature = _temperature(then, now, draws, profile)
    by_day = then.gas if draws.day_begins == "gas" else then.lit
    k20 = np.where(by_day, draws.day_k20[:, None], draws.k20[:, None])
    k = k20 * TEMPERATURE_EXCHANGE_FACTOR ** (temperature - 20.0) * then.surface
    air = co2_air_equilibrium_mg_l(
        np.clip(temperature, 0.0, 40.0),
        co2_ppm=CO2_PPM_ROOM,
        pressure_atm=float(pressure_atm_from_altitude(tank.altitude_m)),
    )
    injection = draws.injection * then.injection
    hours = STEP_MIN / 60
    keep = np.exp(-k * hours)
    span = np.where(k > 0, -np.expm1(-k * hours) / np.where(k > 0, k, 1.0), hours)
    source = k * air + draws.respiration[:, None] + injection[:, None] * then.gas
    uptake = draws.uptake[:, None] * then.lit
    co2 = np.array(air[:, 0])
    course = np.empty((DRAWS, STEPS))
    for _ in range(DAYS_TO_SETTLE):
        for step in range(STEPS):
            taken = uptake[:, step] * co2 / (co2 + HALF_UPTAKE_MG_L)
            co2 = np.maximum(co2 * keep[:, step] + (source[:, step] - taken) * span[:, step], 0.0)
            course[:, step] = co2
    return Course(course, temperature)


def band(draws: Array) -> Band:
    """The first draw and the central 95 % of all, along the first axis."""
    low, high = quantiles(draws, (0.025, 0.975))
    return Band(np.array(draws[0]), low, high)


def estimate(draws: Array) -> EstimatedValue:
    """One number with its interval, from its draws."""
    low, high = quantiles(draws, (0.025, 0.975))
    return EstimatedValue(float(draws[0]), float(low), float(high))


def _uptake(
    view: TankView,
    fit: GasExchangeFit,
    k_per_h: Array,
    injection: Array,
    respiration: Array,
    level: Array,
) -> Array:
    """Uptake at ample CO2: what the level lit hours with gas lack, 0 at least."""
    lacking, seen = [], []
    for day in view.co2_days:
        start_us = day.on_at.timestamp() * 1e6 + AFTER_START_H * 3.6e9
        end_us = min(day.off_at.timestamp(), _gas_end(view, day.off_at)) * 1e6
        first, last = np.searchsorted(view.co2_series.time_us, (start_us, end_us))
        part = view.co2_series.value[first:last]
        part = part[~np.isnan(part)]
        if part.size < 6:
            continue
        hours = (view.co2_series.time_us[last - 1] - view.co2_series.time_us[first]) / 3.6e9
        third = max(part.size // 3, 1)
        slope = (part[-third:].mean() - part[:third].mean()) / max(hours * 2 / 3, 0.1)
        seen.append(float(part.mean()))
        lacking.append(float(slope))
    if not seen:
        return np.zeros(DRAWS)
    mean, slope = median(seen) * level, median(lacking) * level
    missing = injection + respiration - k_per_h * (mean - fit.equilibrium_mg_l) - slope
    return np.asarray(np.maximum(missing, 0.0) * (mean + HALF_UPTAKE_MG_L) / mean)


def _gas_end(view: TankView, off: datetime) -> float:
    """When the gas of a day of light ends by plan, unix seconds; infinite where not switched."""
    plan = view.tank.gas
    if plan.end is None or plan.start is None:
        return float("inf")
    day = local_day(view.tank, off)
    return local_midnight(view.tank, day).timestamp() + 60 * _minute(plan.end)


def _lamp_warming(profile: Array, lit: Flags) -> float:
    """K/h by which the lamp warms: the slope after lights-on less that before it, 0 at least."""
    if not lit.any() or lit.all():
        return 0.0
    first = int(np.argmax(lit & ~np.roll(lit, 1)))
    two_h = 2 * 60 // STEP_MIN
    rolled = np.roll(profile, two_h - first)
    before = rolled[two_h] - rolled[0]
    after = rolled[2 * two_h] - rolled[two_h]
    return max(float(after - before) / 2.0, 0.0)


def _temperature(then: Setting, now: Setting, draws: Draws, profile: Array) -> Array:
    """The profile plus what more or less lamp does to it, first-order with the room."""
    drive = draws.lamp_k_h[:, None] * (then.lit.astype(float) - now.lit.astype(float))
    shift = np.zeros((DRAWS, STEPS))
    if not drive.any():
        return np.broadcast_to(profile, shift.shape) + shift
    hours = STEP_MIN / 60
    keep = np.exp(-draws.heat_per_h * hours)
    gain = (1 - keep) / draws.heat_per_h
    state = np.zeros(DRAWS)
    for _ in range(DAYS_TO_SETTLE + 2):
        for step in range(STEPS):
            state = state * keep + drive[:, step] * gain
            shift[:, step] = state
    return np.asarray(profile + shift)


def _span(start: time, hours: float) -> Flags:
    """Which steps lie within so many hours from a time of day, round midnight."""
    middle = (np.arange(STEPS) + 0.5) * STEP_MIN
    return np.asarray((middle - _minute(start)) % 1440 < hours * 60)


def _minute(at: time) -> float:
    return at.hour * 60 + at.minute + at.second / 60
