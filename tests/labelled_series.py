"""Series of water sensors with known faults: made by a program, each reading with its label.

The kinds of fault are those of K. Ni et al., ACM Trans. Sensor Netw. 5 (2009) 25,
doi:10.1145/1525856.1525863 (outlier, spike, "stuck-at", calibration drift) and C. Leigh et al.,
Sci. Total Environ. 664 (2019) 885, doi:10.1016/j.scitotenv.2019.02.085 (sudden spike, cluster of
spikes, sudden shift, low variability, drift), both from memory. The courses are invented: a river
every 15 minutes that freezes in part, and a planted tank every minute, with lamp, heater, CO2,
dosing and water changes. What the water itself does is no fault, however fast.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
RIVER_S, TANK_S = 900, 60
RIVER_DAYS, TANK_DAYS = 45, 10

#: Least and greatest size of an excursion, noise of the sensor (standard deviation) and the step
#: of its display: river, tank. Common practice, no source.
SIZES = {
    "temperature": (0.5, 6.0),
    "ph": (0.08, 2.0),
    "conductivity": (10.0, 300.0),
    "dissolved_oxygen": (0.5, 6.0),
}
NOISE = {
    "temperature": (0.01, 0.03),
    "ph": (0.005, 0.01),
    "conductivity": (0.3, 1.0),
    "dissolved_oxygen": (0.02, 0.05),
}
STEP = {
    "temperature": (0.01, 0.0625),
    "ph": (0.01, 0.01),
    "conductivity": (0.1, 1.0),
    "dissolved_oxygen": (0.01, 0.01),
}


@dataclass(frozen=True)
class Labelled:
    """A series, which of its readings are faulty, and the number of the fault (0: none).

    Attributes:
        time_s: of each reading; None: one each ``every_s``.
    """

    quantity: str
    every_s: int
    value: Floats
    fault: npt.NDArray[np.int64]
    time_s: npt.NDArray[np.int64] | None = None

    @property
    def faulty(self) -> Bools:
        return self.fault > 0


def all_series(seed: int) -> Iterator[Labelled]:
    """Of each quantity a river and a tank, with excursions."""
    for quantity in SIZES:
        rng = np.random.default_rng([seed, sorted(SIZES).index(quantity)])
        for place, every_s in ((0, RIVER_S), (1, TANK_S)):
            sound = healthy(quantity, every_s, rng)
            yield with_excursions(quantity, every_s, sound, STEP[quantity][place], rng)


def healthy(quantity: str, every_s: int, rng: np.random.Generator) -> Floats:
    """What a sound sensor shows, with its noise, before its display rounds it."""
    place = 0 if every_s == RIVER_S else 1
    course = river(quantity, rng) if place == 0 else tank(quantity, rng)
    noise = rng.normal(0, NOISE[quantity][place], course.size)
    return np.asarray(course + noise)


def river(quantity: str, rng: np.random.Generator) -> Floats:
    """A river in winter and spring: days, weather, floods, and ice at 0 °C."""
    day = np.arange(RIVER_DAYS * 86_400 // RIVER_S) * (RIVER_S / 86_400)
    sun = np.clip(np.sin((day - 0.3) * 2 * np.pi), -0.3, 1.0)
    weather = _wander(day.size, 0.02, rng)
    if quantity == "temperature":
        return np.asarray(np.maximum(-3 + day / 6 + 2.5 * sun + 2 * weather, 0.0))
    flood = np.zeros(day.size)
    for at in rng.uniform(1, RIVER_DAYS - 2, 6):
        since = np.clip(day - at, 0, None)
        flood += np.where(since > 0, (1 - np.exp(-since / 0.1)) * np.exp(-since / 0.8), 0.0)
    if quantity == "ph":
        return np.asarray(8.3 + 0.15 * sun + 0.05 * weather - 0.2 * flood)
    if quantity == "conductivity":
        return np.asarray(380 + 4 * sun + 10 * weather - 60 * flood + _road_salt(day, rng))
    return np.asarray(11 + 0.8 * sun + 0.4 * weather)


def _road_salt(day: Floats, rng: np.random.Generator) -> Floats:
    """Melting snow brings salt: up within a reading or two, down over hours, and restless."""
    salt = np.zeros(day.size)
    for at in rng.uniform(1, RIVER_DAYS - 2, 4):
        since = np.clip(day - at, 0, None)
        pulse = (1 - np.exp(-since / 0.005)) * np.exp(-since / 0.15)
        salt += rng.uniform(200, 1400) * pulse * rng.uniform(0.95, 1.05, day.size)
    return salt


def tank(quantity: str, rng: np.random.Generator) -> Floats:
    """A planted tank: lamp, heater, CO2 from 10 to 18 h, dosing, and two water changes."""
    minute = np.arange(TANK_DAYS * 1440)
    of_day, day = minute % 1440, minute // 1440
    lit = _charged((minute - 660) % 1440, 480, 150, 200)
    changed = (rng.integers(600, 1200, 2) + 1440 * np.array([2, 7])).tolist()
    since = [np.clip(minute - at, 0, None) for at in changed]
    if quantity == "temperature":
        heater = 0.1 * np.abs((minute % 40) / 20 - 1)
        cold = sum(np.minimum(one / 6, 1) * np.clip(1.8 - one / 60, 0, None) for one in since)
        return np.asarray(24.3 + 0.8 * lit + heater - cold)
    if quantity == "ph":
        gas = _charged((minute - 600) % 1440, 480, 40, 180)
        fresh = sum(np.minimum(one / 8, 1) * np.exp(-one / 90) for one in since)
        return np.asarray(7.3 - 1.0 * gas + 0.1 * lit + 0.4 * fresh)
    if quantity == "conductivity":
        dosed = np.where(of_day > 540, day + 1, day) * 6.0
        diluted = sum(np.minimum(one / 5, 1) * 30 for one in since)
        return np.asarray(260 + minute * 0.001 + dosed - diluted)
    return np.asarray(7.0 + 1.6 * lit)


def _charged(
    since_min: npt.NDArray[np.int64], on_min: float, rise_min: float, fall_min: float
) -> Floats:
    """Rises towards 1 while it is on, falls towards 0 afterwards, exponentially."""
    on, off = np.minimum(since_min, on_min), np.maximum(since_min - on_min, 0)
    return np.asarray((1 - np.exp(-on / rise_min)) * np.exp(-off / fall_min))


def with_excursions(
    quantity: str, every_s: int, sound: Floats, step: float, rng: np.random.Generator
) -> Labelled:
    """Short excursions of one to eight readings (river) or one to forty minutes (tank)."""
    value, fault = sound.copy(), np.zeros(sound.size, np.int64)
    smallest, largest = SIZES[quantity]
    longest = 8 if every_s == RIVER_S else 40
    apart = 6 * 3600 // every_s
    starts = np.arange(apart, sound.size - 2 * apart, 3 * apart)
    for number, start in enumerate(starts + rng.integers(0, apart, starts.size), start=1):
        length = int(rng.choice([1, 1, 1, 2, 3, int(rng.integers(4, longest + 1))]))
        size = smallest * (largest / smallest) ** rng.uniform() * rng.choice([-1.0, 1.0])
        members = slice(int(start), int(start) + length)
        value[members] += size * rng.uniform(0.8, 1.2, length)
        fault[members] = number
    return Labelled(quantity, every_s, rounded(value, step), fault)


def rounded(value: Floats, step: float) -> Floats:
    """As a display of this step shows it."""
    return np.asarray(np.round(value / step) * step)


def _wander(size: int, pace: float, rng: np.random.Generator) -> Floats:
    """A slow random course of standard deviation 1: two filters of first order on noise."""
    course = rng.normal(size=size)
    for _ in range(2):
        smooth, last = np.empty(size), 0.0
        for index, one in enumerate(course.tolist()):
            last += pace * (one - last)
            smooth[index] = last
        course = smooth
    return np.asarray(course / course.std())
