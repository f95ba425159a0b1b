"""Labelled series that the spike flags were not tuned on: other waters, other kinds of fault.

Made after the flags, and never used to choose a number of theirs. The waters are a brook in summer
every 5 minutes and a low-energy tank every 30 s, with weather, thunderstorms, feeding, lamp and a
top-up; invented. The kinds of fault are common in field reports, from memory: a bubble that settles
on the probe and dissolves (jump, exponential return), a probe that falls dry (ramp away, jump
back), a loose contact (every other reading off), electrical noise (a burst, far wider than the
sensor's), a fixed value that a board sends for "no answer", an excursion beside missing readings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from tests.labelled_series import NOISE, SIZES, STEP, Floats, Labelled, rounded

BROOK_S, LOW_TANK_S = 300, 30
BROOK_DAYS, TANK_DAYS = 20, 4
#: What a board sends that gets no answer from its sensor; plausible ones, or they are found easily.
NO_ANSWER: Final = {
    "temperature": 0.0,
    "ph": 7.0,
    "conductivity": 0.0,
    "dissolved_oxygen": 0.0,
}


def bubble(size: float, length: int, rng: np.random.Generator) -> Floats:
    """Jumps, and returns exponentially."""
    return np.asarray(size * np.exp(-np.arange(length) / max(1.0, length / 2.5)))


def falls_dry(size: float, length: int, rng: np.random.Generator) -> Floats:
    """Away step by step, and back at once."""
    return np.asarray(size * np.arange(1, length + 1) / length)


def loose(size: float, length: int, rng: np.random.Generator) -> Floats:
    """Every other reading is off; the others are sound."""
    return np.asarray(size * (np.arange(length) % 2 == 0))


def burst(size: float, length: int, rng: np.random.Generator) -> Floats:
    """Noise to both sides."""
    return np.asarray(rng.normal(0, abs(size) / 2, length))


SHAPES: Final[dict[str, Callable[[float, int, np.random.Generator], Floats]]] = {
    "bubble": bubble,
    "dry": falls_dry,
    "loose": loose,
    "burst": burst,
}
KINDS: Final = (*SHAPES, "no-answer", "gap")


def held_out(seed: int) -> Iterator[tuple[str, Labelled]]:
    """Of each quantity a brook and a tank, by kind of fault."""
    for index, quantity in enumerate(sorted(SIZES)):
        for number, kind in enumerate(KINDS):
            rng = np.random.default_rng([77, seed, index, number])
            for place, every_s in ((0, BROOK_S), (1, LOW_TANK_S)):
                course = brook(quantity, rng) if place == 0 else low_tank(quantity, rng)
                sound = course + rng.normal(0, NOISE[quantity][place], course.size)
                step = STEP[quantity][place]
                yield kind, with_faults(kind, quantity, every_s, np.asarray(sound), step, rng)


def with_faults(
    kind: str, quantity: str, every_s: int, sound: Floats, step: float, rng: np.random.Generator
) -> Labelled:
    """Three faults a day of up to half an hour; readings that a fault leaves alone are sound."""
    value, fault = sound.copy(), np.zeros(sound.size, np.int64)
    missing = np.zeros(sound.size, bool)
    smallest, largest = SIZES[quantity]
    longest = max(3, 1800 // every_s)
    slot = 8 * 3600 // every_s
    for number, start in enumerate(range(slot // 2, sound.size - slot, slot), start=1):
        at = start + int(rng.integers(0, slot // 2))
        length = int(rng.integers(1 if kind in ("no-answer", "gap") else 3, longest + 1))
        size = smallest * (largest / smallest) ** rng.uniform() * rng.choice([-1.0, 1.0])
        members = slice(at, at + length)
        if kind == "no-answer":
            value[members] = NO_ANSWER[quantity]
        elif kind == "gap":
            value[members] += size
            missing[at - int(rng.integers(1, 6)) : at] = True
            missing[at + length : at + length + int(rng.integers(1, 6))] = True
        else:
            value[members] += SHAPES[kind](size, length, rng)
        # what is within the noise of a sound reading is none
        off = np.abs(value[members] - sound[members]) > 0.5 * smallest
        fault[members] = np.where(off, number, 0)
    here = ~missing
    return Labelled(
        quantity, every_s, rounded(value, step)[here], fault[here], np.flatnonzero(here) * every_s
    )


def brook(quantity: str, rng: np.random.Generator) -> Floats:
    """A brook in summer: warm days, clouds, and thunderstorms that come within half an hour."""
    day = np.arange(BROOK_DAYS * 86_400 // BROOK_S) * (BROOK_S / 86_400)
    sun = np.clip(np.sin((day - 0.27) * 2 * np.pi), -0.25, 1.0)
    clouds = np.repeat(rng.uniform(0.4, 1.0, BROOK_DAYS), 86_400 // BROOK_S)
    storm = np.zeros(day.size)
    for at in rng.uniform(1, BROOK_DAYS - 2, 4):
        since = np.clip(day - at, 0, None)
        storm += np.where(since > 0, (1 - np.exp(-since / 0.02)) * np.exp(-since / 0.3), 0.0)
    if quantity == "temperature":
        return np.asarray(15 + 4 * sun * clouds - 3 * storm)
    if quantity == "ph":
        return np.asarray(8.0 + 0.35 * sun * clouds - 0.3 * storm)
    if quantity == "conductivity":
        return np.asarray(520 + 6 * sun - 180 * storm)
    return np.asarray(9.0 + 1.8 * sun * clouds - 1.2 * storm)


def low_tank(quantity: str, rng: np.random.Generator) -> Floats:
    """A tank without CO2: lamp from 8 to 16 h, a heater that switches, feeding, a top-up."""
    minute = np.arange(TANK_DAYS * 86_400 // LOW_TANK_S) * (LOW_TANK_S / 60)
    of_day = minute % 1440
    lit = np.clip((of_day - 480) / 240, 0, 1) * np.clip((1200 - of_day) / 240, 0, 1)
    topped = np.clip(minute - rng.uniform(2000, 4000), 0, None)
    if quantity == "temperature":
        heater = 0.3 * np.abs((minute % 90) / 45 - 1)
        return np.asarray(23.5 + heater + 0.3 * lit - np.minimum(topped / 4, 1) * 0.6)
    if quantity == "ph":
        return np.asarray(7.0 + 0.35 * lit + 0.05 * np.minimum(topped / 4, 1))
    if quantity == "conductivity":
        return np.asarray(310 + minute * 0.004 - np.minimum(topped / 4, 1) * 25)
    fed = np.clip(of_day - 700, 0, 120) / 120 * np.clip((1000 - of_day) / 180, 0, 1)
    return np.asarray(6.8 + 1.1 * lit - 0.5 * fed)
