"""Invented tanks through warm days and cool nights, which the forecast is held against.

Written apart from the forecast: heat flows between water and a room whose weather wanders, a lamp
warms, a heater with a thermostat may fail or stick; the probe's noise hangs together and is read in
steps of 0.0625 K.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.temperature.daily_course import daily_course
from service.science.temperature.forecast import HORIZON_S, WINDOW_S, Crossing, forecast_crossing

Floats = npt.NDArray[np.float64]

STEP_H: Final = 1 / 12
DAYS: Final = 8
HORIZON_H: Final = HORIZON_S / 3600
NOW_S: Final = 1.7e9


@dataclass(frozen=True)
class Regime:
    """A kind of tank: time constant, h; swing of the room, K; lamp, K; heater; what changes."""

    tau_h: tuple[float, float] = (5.0, 20.0)
    swing_c: tuple[float, float] = (1.0, 3.0)
    lamp_c: tuple[float, float] = (0.0, 0.0)
    heater_c: float = 0.0
    fails: str = ""
    memory: float = 0.0
    noise_c: float = 0.03


REGIMES: Final = {
    "day and night": Regime(),
    "day and night, correlated noise": Regime(memory=0.9),
    "small tank, 1 to 3 h": Regime(tau_h=(1.0, 3.0)),
    "small tank, 1 to 3 h, correlated noise": Regime(tau_h=(1.0, 3.0), memory=0.9),
    "a lamp that warms": Regime(lamp_c=(2.0, 5.0)),
    "a heater that holds": Regime(heater_c=8.0),
    "a heater that fails": Regime(heater_c=8.0, fails="off"),
    "a heater that sticks": Regime(heater_c=8.0, fails="on"),
    "a heater that fails, 1 to 3 h": Regime(tau_h=(1.0, 3.0), heater_c=8.0, fails="off"),
}


@dataclass(frozen=True)
class Worlds:
    """What the probes read up to the present and what is true after it, (tanks, steps) each."""

    hours: Floats
    read: Floats
    true: Floats

    @property
    def present(self) -> int:
        """The step of the present."""
        return int(np.searchsorted(self.hours, -1e-9))


@dataclass(frozen=True)
class Outcome:
    """A forecast and what came of it, hours from the present; infinite: not within the horizon."""

    probability: float
    earliest_h: float
    latest_h: float
    truth_h: float

    @property
    def held(self) -> bool:
        """Whether the interval held the truth, to a step."""
        return self.earliest_h - STEP_H <= self.truth_h <= self.latest_h + STEP_H


def simulate(regime: Regime, tanks: int, rng: np.random.Generator) -> Worlds:
    """Simulate many tanks of a kind at once."""
    hours = np.arange(-DAYS * 24, HORIZON_H + STEP_H, STEP_H)
    of_day = (hours + rng.uniform(0, 24, (tanks, 1))) % 24
    tau = rng.uniform(*regime.tau_h, (tanks, 1))
    swing = rng.uniform(*regime.swing_c, (tanks, 1))
    lamp = rng.uniform(*regime.lamp_c, (tanks, 1)) * ((of_day >= 10) & (of_day < 18))
    weather = np.zeros((tanks, hours.size))
    keep = np.exp(-STEP_H / 36.0)
    kicks = np.sqrt(1 - keep**2) * rng.standard_normal((tanks, hours.size))
    weather[:, 0] = rng.standard_normal(tanks)
    for at in range(1, hours.size):
        weather[:, at] = keep * weather[:, at - 1] + kicks[:, at]
    room = 24 + swing * np.cos(2 * np.pi * (of_day - 16) / 24) + weather + lamp
    if regime.heater_c:
        room = room - 4
    broken_since = rng.uniform(-4.0, -1.0, tanks)
    true = np.empty_like(room)
    true[:, 0] = np.maximum(room[:, 0], 25.0 if regime.heater_c else -np.inf)
    on = np.zeros(tanks, np.bool_)
    for at in range(1, hours.size):
        before = true[:, at - 1]
        on = np.where(before < 24.9, True, np.where(before > 25.1, False, on))
        heats = on.copy()
        if regime.fails:
            heats = np.where(hours[at] >= broken_since, regime.fails == "on", heats)
        aim = room[:, at] + regime.heater_c * heats
        true[:, at] = aim + (before - aim) * np.exp(-STEP_H / tau[:, 0])
    noise = np.zeros_like(true)
    fresh = regime.noise_c * np.sqrt(1 - regime.memory**2) * rng.standard_normal(true.shape)
    for at in range(1, hours.size):
        noise[:, at] = regime.memory * noise[:, at - 1] + fresh[:, at]
    read = np.round((true + noise) / 0.0625) * 0.0625
    return Worlds(hours, read, true)


def outcomes(worlds: Worlds, rng: np.random.Generator, *, own_days: bool = True) -> list[Outcome]:
    """Forecast a limit ahead of each tank, the way it is heading, and see what comes of it."""
    now = worlds.present
    before = slice(0, now + 1)
    time_s = NOW_S + worlds.hours * 3600
    found = []
    for read, true in zip(worlds.read, worlds.true, strict=True):
        rate = np.polyfit(worlds.hours[now - 12 : now + 1], read[now - 12 : now + 1], 1)[0]
        side = 1.0 if rate > 0 else -1.0
        limit = read[now - 2 : now + 1].mean() + side * rng.uniform(0.2, 2.0)
        course = daily_course(
            time_s[before], read[before], NOW_S, back_h=WINDOW_S / 3600, ahead_h=HORIZON_H
        )
        answer = forecast_crossing(
            time_s[before], read[before], limit, course=course if own_days else None
        )
        beyond = np.flatnonzero(side * (true[now:] - limit) >= 0)
        truth = float(worlds.hours[now + beyond[0]]) if beyond.size else np.inf
        found.append(_outcome(answer, truth))
    return found


def _outcome(answer: Crossing | None, truth_h: float) -> Outcome:
    if answer is None:
        return Outcome(0.0, np.inf, np.inf, truth_h)
    ends = ((end - NOW_S) / 3600 for end in (answer.earliest_s, answer.latest_s))
    return Outcome(answer.probability, *ends, truth_h)


LAWS: Final = tuple(
    (tau_h, noise_c, memory)
    for tau_h in ((1.0, 3.0), (3.0, 10.0), (10.0, 30.0))
    for noise_c, memory in ((0.03, 0.0), (0.1, 0.0), (0.03, 0.8), (0.03, 0.95), (0.1, 0.95))
)
"""Time constants, h; noise of the probe, K; how it hangs together from minute to minute."""


def law_held(
    tau_h: tuple[float, float], noise_c: float, memory: float, tanks: int, rng: np.random.Generator
) -> list[bool]:
    """Whether the interval held the moment at which water on its way to rest reached a limit.

    Without own days; limits that are reached within two and a half time constants.
    """
    hours = np.arange(-3.0, 1e-9, 1 / 60)
    found: list[bool] = []
    while len(found) < tanks:
        tau, gap = rng.uniform(*tau_h), rng.uniform(2, 8) * rng.choice([-1, 1])
        truth_h = rng.uniform(0.5, min(2.5 * tau, 10.0))
        now, limit = (gap * (1 - np.exp(-(at + 3) / tau)) for at in (0.0, truth_h))
        if abs(limit - now) < 0.2:
            continue
        noise = rng.normal(0, noise_c, hours.size)
        for at in range(1, hours.size):
            noise[at] = memory * noise[at - 1] + np.sqrt(1 - memory**2) * noise[at]
        read = np.round((25 + gap * (1 - np.exp(-(hours + 3) / tau)) + noise) / 0.0625) * 0.0625
        answer = forecast_crossing(NOW_S + hours * 3600, read, 25 + limit)
        found.append(_outcome(answer, truth_h).held)
    return found
