"""A tank with known exchange and injection, for testing the fit against the truth.

Integrated by small steps of its own (not by the closed form under test): injection on a
schedule, exchange that follows the temperature, respiration all day, uptake in the light,
an electrode with correlated noise, spikes, and gaps.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from service.science.carbonate import co2 as carbonate

HOUR = 3600.0
START_S = 1_774_656_000.0  # 2026-03-28 00:00 UTC: the European clock change follows on the 29th


@dataclass(frozen=True)
class Tank:
    k20_per_h: float = 0.25
    injection_mg_l_h: float = 9.0
    respiration_mg_l_h: float = 0.2
    uptake_mg_l_h: float = 1.5
    equilibrium_mg_l: float = 0.87
    kh_dkh: float = 4.0
    days: int = 7
    gas_on_h: float = 6.0
    gas_off_h: float = 16.0
    lamp_on_h: float = 8.0
    lamp_off_h: float = 17.0
    every_s: float = 120.0
    clock_change_day: int | None = None  # from this day on, all clock times are an hour earlier


@dataclass(frozen=True)
class Run:
    time_s: np.ndarray
    ph: np.ndarray
    co2_mg_l: np.ndarray
    temperature_c: np.ndarray
    lit: np.ndarray
    gas_on_s: list[tuple[float, float]] = field(default_factory=list)


@dataclass(frozen=True)
class Electrode:
    """Noise of a home-made pH probe: white and slow scatter in pH, spikes, lost samples."""

    white_sd: float = 0.015
    slow_sd: float = 0.01
    slow_h: float = 2.0
    spike_share: float = 0.005
    spike_ph: float = 0.6
    lost_share: float = 0.02
    gaps: int = 3
    gap_h: float = 3.0


def run(tank: Tank, electrode: Electrode, seed: int) -> Run:
    """Simulate the tank and read it through the electrode."""
    rng = np.random.default_rng(seed)
    time_s = START_S + np.arange(0, tank.days * 24 * HOUR, tank.every_s)
    hour = (time_s - START_S) / HOUR
    shift = np.zeros_like(hour)
    if tank.clock_change_day is not None:
        shift = np.where(hour >= tank.clock_change_day * 24 + 1, 1.0, 0.0)
    clock = (hour + shift) % 24
    gas = (clock >= tank.gas_on_h) & (clock < tank.gas_off_h)
    lit = (clock >= tank.lamp_on_h) & (clock < tank.lamp_off_h)
    celsius = 24.0 + 0.5 * np.sin(2 * np.pi * (clock - 12) / 24)
    co2 = np.empty_like(hour)
    level, step_h = tank.equilibrium_mg_l + 2.0, tank.every_s / HOUR
    parts = 10
    for index in range(hour.size):
        co2[index] = level
        k = tank.k20_per_h * 1.024 ** (celsius[index] - 20)
        gain = tank.respiration_mg_l_h + tank.injection_mg_l_h * gas[index]
        for _ in range(parts):
            uptake = tank.uptake_mg_l_h * lit[index] * level / (level + 3.0)
            level += step_h / parts * (gain - uptake - k * (level - tank.equilibrium_mg_l))
    alkalinity = tank.kh_dkh * 0.356652
    ph = np.asarray(carbonate.ph_for_co2(co2, alkalinity, celsius))
    ph = ph + _noise(electrode, hour.size, tank.every_s, rng)
    keep = rng.random(hour.size) >= electrode.lost_share
    for _ in range(electrode.gaps):
        at = rng.uniform(0, tank.days * 24)
        keep &= ~((hour >= at) & (hour < at + electrode.gap_h))
    edges = np.flatnonzero(np.diff(gas.astype(int), prepend=0, append=0))
    times = np.append(time_s, time_s[-1] + tank.every_s)
    pairs = [(times[on], times[off]) for on, off in zip(edges[::2], edges[1::2], strict=True)]
    measured = np.asarray(carbonate.co2_mg_l(ph, alkalinity, celsius))
    return Run(time_s[keep], ph[keep], measured[keep], celsius[keep], lit[keep], pairs)


def _noise(electrode: Electrode, size: int, every_s: float, rng: np.random.Generator) -> np.ndarray:
    white = rng.normal(0, electrode.white_sd, size)
    memory = np.exp(-every_s / HOUR / electrode.slow_h)
    kicks = rng.normal(0, electrode.slow_sd * np.sqrt(1 - memory**2), size)
    slow = np.empty(size)
    state = 0.0
    for index in range(size):
        state = memory * state + kicks[index]
        slow[index] = state
    spikes = (rng.random(size) < electrode.spike_share) * rng.choice([-1, 1], size)
    return np.asarray(white + slow + spikes * electrode.spike_ph)
