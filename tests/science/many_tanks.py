"""Many invented tanks at once, integrated in small steps of their own, and read by real electrodes.

Nothing of the fit is used: CO2 goes by second-order Runge-Kutta steps through gas on a timer or a
pH controller, exchange that follows temperature, hour of day and what was changed, uptake that
differs from day to day, respiration, and a room whose air is not always the same.
pH and back by ``service.science.carbonate``, which other tests check against PHREEQC.

All arrays have a row per tank. Values are invented, within what the trade sees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science.carbonate.co2 import co2_mg_l, ph_for_co2
from service.science.water.hardness import MEQ_L_PER_DEGREE

Array = np.ndarray
START_S = 1_774_656_000.0
EVERY_S = 300.0
AIR_MG_L_PPM = 0.87 / 600.0
"""CO2 of water at 24 °C per ppm of the air's: Weiss 1974 gives 0.63 mg/L at 420 ppm, 25 °C."""


@dataclass(frozen=True)
class Tanks:
    """Parameters, each one number or an array (N,).

    ``air_stone`` multiplies the exchange while it runs: "night" from lights-off to lights-on, "gas"
    while the gas is off. From ``change_day`` on, exchange and injection are ``k_change`` and
    ``injection_change`` times what they were. ``controller_ph`` opens the gas above it (and closes
    it ``hysteresis_ph`` below) within the gas hours.
    """

    count: int
    days: float = 10.0
    k20_per_h: Array | float = 0.3
    injection_mg_l_h: Array | float = 9.0
    respiration_mg_l_h: Array | float = 0.25
    uptake_mg_l_h: Array | float = 1.5
    half_uptake_mg_l: Array | float = 3.0
    kh_dkh: Array | float = 4.0
    room_ppm: Array | float = 600.0
    room_day_sd: float = 60.0
    gas_on_h: float = 6.0
    gas_off_h: float = 16.0
    lamp_on_h: float = 8.0
    lamp_off_h: float = 17.0
    change_day: Array | float = np.inf
    k_change: Array | float = 1.0
    injection_change: Array | float = 1.0
    air_stone: str = "gas"
    air_stone_factor: Array | float = 1.0
    controller_ph: Array | float | None = None
    hysteresis_ph: Array | float = 0.04
    swing_c: float = 0.5
    night_log_sd: float = 0.0
    uptake_log_sd: float = 0.15
    kh_loss_dkh_day: Array | float = 0.0
    step_min: int = 5  # a divisor of 5


@dataclass(frozen=True)
class Electrodes:
    """Errors of the probe: ``offset_ph`` at the calibration, ``drift_ph_day``, ``slope`` (1 is
    right), white and slow scatter, spikes, share of lost samples, gaps of three hours a week."""

    offset_ph: Array | float = 0.0
    drift_ph_day: Array | float = 0.0
    slope: Array | float = 1.0
    white_sd: float = 0.015
    slow_sd: float = 0.01
    slow_h: float = 2.0
    spike_share: float = 0.003
    lost_share: float = 0.02
    gaps_week: float = 2.0


@dataclass(frozen=True)
class Course:
    """True and measured: ``time_s`` (T,), ``lit`` (T,), the others (N, T).

    ``ph`` as read, NaN where lost; ``gas`` whether it flows.
    """

    time_s: Array
    lit: Array
    gas: Array
    co2_mg_l: Array
    temperature_c: Array
    kh_dkh: Array
    ph: Array

    def measured_mg_l(self, tank: int, kh_dkh: float) -> Array:
        """CO2 as worked out from the pH that is read and a KH as tested."""
        meq_l = kh_dkh * MEQ_L_PER_DEGREE
        return np.asarray(co2_mg_l(self.ph[tank], meq_l, self.temperature_c[tank]))


def simulate(tanks: Tanks, electrodes: Electrodes, rng: np.random.Generator) -> Course:
    """Run all tanks and read them."""
    n, per_day = tanks.count, 1440 // tanks.step_min
    step_h = tanks.step_min / 60.0
    days = int(np.ceil(tanks.days))
    column = lambda value: np.broadcast_to(np.asarray(value, float), (n,))  # noqa: E731
    ppm = np.maximum(
        column(tanks.room_ppm)[:, None] + rng.normal(0, tanks.room_day_sd, (n, days + 1)), 400
    )
    uptake = column(tanks.uptake_mg_l_h)[:, None] * np.exp(
        rng.normal(0, tanks.uptake_log_sd, (n, days + 1))
    )
    nightly = np.exp(rng.normal(0, tanks.night_log_sd, (n, days + 1)))
    k20, injection = column(tanks.k20_per_h), column(tanks.injection_mg_l_h)
    half, breath = column(tanks.half_uptake_mg_l), column(tanks.respiration_mg_l_h)
    kh0, loss = column(tanks.kh_dkh), column(tanks.kh_loss_dkh_day)
    change_day = column(tanks.change_day)
    keep_every = int(EVERY_S // 60) // tanks.step_min
    steps = int(tanks.days * per_day)
    level = ppm[:, 0] * AIR_MG_L_PPM + 3.0
    valve = np.zeros(n, bool)
    # the controller's pH as CO2 at the mean temperature
    set_ph = 7.0 if tanks.controller_ph is None else column(tanks.controller_ph)
    opens, closes = (
        np.asarray(co2_mg_l(set_ph - below, kh0 * MEQ_L_PER_DEGREE, 24.0))
        for below in (0.0, column(tanks.hysteresis_ph))
    )
    kept: list[tuple[Array, ...]] = []
    for step in range(steps):
        hour = step * step_h % 24.0
        day = step // per_day
        celsius = 24.0 + tanks.swing_c * np.sin(2 * np.pi * (hour - 12.0) / 24.0)
        hours_open = tanks.gas_on_h <= hour < tanks.gas_off_h
        lit = tanks.lamp_on_h <= hour < tanks.lamp_off_h
        changed = step / per_day >= change_day
        stone = (not lit) if tanks.air_stone == "night" else (not hours_open)
        k = k20 * 1.024 ** (celsius - 20.0) * np.where(changed, tanks.k_change, 1.0)
        k = k * nightly[:, (step + per_day // 3) // per_day]
        k = k * (np.asarray(tanks.air_stone_factor) if stone else 1.0)
        if step % keep_every == 0:
            kh = kh0 - loss * step / per_day
            kept.append((level.copy(), np.full(n, celsius), kh, valve & hours_open, lit))
        if tanks.controller_ph is None:
            valve = np.ones(n, bool)
        else:
            valve = np.where(level < opens, True, np.where(level > closes, False, valve))
        gain = breath + np.where(
            hours_open & valve, injection * np.where(changed, tanks.injection_change, 1.0), 0.0
        )
        taken = uptake[:, day] * lit
        air = ppm[:, (step + per_day // 3) // per_day] * AIR_MG_L_PPM * 1.024 ** (24.0 - celsius)

        def rate(c: Array) -> Array:
            return gain - taken * c / (c + half) - k * (c - air)  # noqa: B023

        middle = level + rate(level) * step_h / 2.0
        level = np.maximum(level + rate(middle) * step_h, 0.01)
    co2, warm, kh, gas, lamp = (np.array(part) for part in zip(*kept, strict=True))
    co2, warm, kh, gas = co2.T, warm.T, kh.T, gas.T
    time_s = START_S + EVERY_S * np.arange(co2.shape[1])
    ph = np.asarray(ph_for_co2(co2, kh * MEQ_L_PER_DEGREE, warm))
    return Course(time_s, lamp, gas, co2, warm, kh, _read(electrodes, ph, tanks.days, rng))


def _read(electrodes: Electrodes, ph: Array, days: float, rng: np.random.Generator) -> Array:
    n, size = ph.shape
    day = np.arange(size) * EVERY_S / 86_400.0
    column = lambda value: np.broadcast_to(np.asarray(value, float), (n,))[:, None]  # noqa: E731
    memory = np.exp(-EVERY_S / 3600.0 / electrodes.slow_h)
    kicks = rng.normal(0, electrodes.slow_sd * np.sqrt(1 - memory**2), (n, size))
    slow = np.empty_like(kicks)
    state = rng.normal(0, electrodes.slow_sd, n)
    for at in range(size):
        state = memory * state + kicks[:, at]
        slow[:, at] = state
    spikes = (rng.random((n, size)) < electrodes.spike_share) * rng.choice([-0.6, 0.6], (n, size))
    seen = 7.0 + column(electrodes.slope) * (ph - 7.0) + column(electrodes.offset_ph)
    seen = seen + column(electrodes.drift_ph_day) * day + slow + spikes
    seen = seen + rng.normal(0, electrodes.white_sd, (n, size))
    lost = rng.random((n, size)) < electrodes.lost_share
    for row in range(n):
        for _ in range(rng.poisson(electrodes.gaps_week * days / 7.0)):
            at = rng.uniform(0, days)
            lost[row] |= (day >= at) & (day < at + 3 / 24)
    return np.where(lost, np.nan, seen)
