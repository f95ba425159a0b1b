"""Invented streams of readings, the same for a seed, in which every check has something to find."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

from service.quantities import QUANTITIES
from service.store import Reading

S = 1_000_000
START = 1_700_000_000 * S
# middle, noise and usual step of invented sensors
_COURSE = {
    "temperature": (24.5, 0.03, 0.06),
    "ph": (6.9, 0.012, 0.01),
    "illuminance": (4000.0, 40.0, 1.0),
    "ppfd": (180.0, 2.0, 0.5),
    "conductivity": (300.0, 1.5, 1.0),
    "dissolved_oxygen": (7.5, 0.06, 0.01),
}


def values_of(quantity: str, seed: int, count: int) -> Iterator[tuple[int, float]]:
    """Time, microseconds, and value: noise, spikes, excursions, steps, silences, stuck, absurd."""
    chance = random.Random(f"{quantity}/{seed}")
    middle, noise, step = _COURSE[quantity]
    middle += chance.uniform(-3, 3) * noise
    every_s = chance.choice((10, 60, 300, 900))
    rounded = chance.choice((0.0, step, 10 * step))
    time_us, left = START + seed * 7 * S, 0
    away = 0.0
    shown: float | None = None
    for _ in range(count):
        time_us += every_s * S + chance.randrange(3) * 1000
        if left > 0:
            left -= 1
        else:
            away, shown = 0.0, None
            what = chance.random()
            size = chance.choice((3, 8, 20, 60, 200)) * noise * chance.choice((-1, 1))
            if what < 0.02:
                away = size
            elif what < 0.05:
                away, left = size, chance.randrange(1, 9)
            elif what < 0.055:
                away, left = size, chance.randrange(60, 75)
            elif what < 0.065:
                middle += size
            elif what < 0.075:
                time_us += chance.choice((900, 2800, 90_000)) * S
            elif what < 0.08:
                every_s = chance.choice((10, 60, 300, 900))
            elif what < 0.085:
                shown, left = max(0.0, round(middle, 2)), chance.randrange(20, 150)
                every_s = 900
            elif what < 0.087:
                shown, left = 0.0, chance.randrange(2, 120)
            elif what < 0.09:
                away = 1e6
            elif what < 0.1:
                time_us -= chance.choice((1, 40, 4000)) * S
            middle -= 0.02 * (middle - _COURSE[quantity][0])
        value = shown
        if value is None:
            value = middle + away + chance.uniform(-2, 2) * noise
            value = round(value / rounded) * rounded if rounded else value
        yield time_us, value


def readings_of(tank: str, sensors: Sequence[tuple[str, str]], seed: int, count: int):
    """The readings of some sensors (quantity and name) of one tank, each in its own order."""
    return [
        Reading(tank, quantity, sensor, time_us, value)
        for number, (quantity, sensor) in enumerate(sensors)
        for time_us, value in values_of(quantity, 10 * seed + number, count)
    ]


#: One sensor of each quantity; then more of some, that ought to agree.
SENSORS = [
    *((quantity, "main") for quantity in QUANTITIES),
    ("temperature", "sump"),
    ("temperature", "shore"),
    ("ph", "sump"),
]
