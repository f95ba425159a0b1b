"""Light sensors stuck at their upper end: one highest value by day and night, without any noise.

The ingester flags a sensor as stuck after a day and a night (``ingest.process.quality.stuck``). By
then a lamp would seem to have been on for many hours too long, so it is judged by the plan here.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.light.plan import planned_lit
from service.derive.local_time import local_day
from service.derive.sensors.choice import US_PER_MINUTE
from service.registry.models.tank import Tank
from service.science.numeric.ranks import median
from service.store.model import Samples
from service.times import from_us, to_us

SAME_SHARE: Final = 1e-9
"""Values of one share of each other are the same: what summing to a mean rounds."""

GAP_MIN: Final = 30.0
"""A silence of so long ends a run of one value. Our choice."""

LEAST_DARK_MIN: Final = 20.0
"""So long outside the planned light, or a lamp may be late; a lamp that stays on is reported after
45 min, so that a stuck sensor is reported first. Our choice."""

LEAST_DARK_SAMPLES: Final = 4
"""With fewer samples outside the planned light nothing is known. Our choice."""

USUAL_MIN: Final = 30.0
"""A sensor that was at this value for so long before reaches it in sound use: a coarse one under a
steady lamp, or one that saturates. Our choice."""

USUAL_DARK_MIN: Final = 240.0
"""Not where it was so for longer outside the planned light, unless it came from darkness and went
back to it, as a lamp does. Our choice."""

BRIGHT_SHARE: Final = 0.002
"""Values above those of the planned dark by this share of the highest are light. Our choice."""

KNOWN_MIN: Final = 60.0
"""A sensor has shown for so long how it sees light, or never anything but its highest value: else a
coarse one under its first lamp cannot be told from it. Our choice."""


@dataclass(frozen=True, slots=True)
class StuckRun:
    """A stretch of samples in which a light sensor was stuck: from ``first`` up to ``after``."""

    first: int
    after: int
    since: datetime
    value: float


@dataclass(frozen=True, slots=True)
class _Run:
    first: int
    after: int
    minutes: float
    dark_min: float
    dark_samples: int
    from_and_to_dark: bool


def stuck_runs(tank: Tank, samples: Samples, now: datetime) -> tuple[StuckRun, ...]:
    """The stretches in which a light sensor was stuck at its upper end.

    It is one where the highest value of all lasts, to the last digit, far into the planned dark,
    and was not usual before.

    Args:
        samples: usable ones of the last days.
    """
    if not len(samples) or not 0 < tank.light.photoperiod_h < 24:
        return ()
    runs = _runs_at_top(tank, samples, now)
    usual = [
        one
        for one in runs
        if one.minutes >= USUAL_MIN and (one.dark_min < USUAL_DARK_MIN or one.from_and_to_dark)
    ]
    return tuple(
        StuckRun(
            one.first,
            one.after,
            from_us(int(samples.time_us[one.first])),
            float(samples.value[one.first]),
        )
        for one in runs
        if one.dark_min >= LEAST_DARK_MIN
        and one.dark_samples >= LEAST_DARK_SAMPLES
        and all(other is one for other in usual)
    )


def without(samples: Samples, runs: tuple[StuckRun, ...]) -> Samples:
    """The samples without those of stuck stretches."""
    if not runs:
        return samples
    sound = np.ones(len(samples), np.bool_)
    for one in runs:
        sound[one.first : one.after] = False
    raw = None if samples.raw is None else samples.raw[sound]
    return Samples(samples.time_us[sound], samples.value[sound], samples.flags[sound], raw)


def _runs_at_top(tank: Tank, samples: Samples, now: datetime) -> list[_Run]:
    """The stretches at the highest value."""
    top = float(samples.value.max())
    if top <= 0:
        return []
    at_top = np.flatnonzero(samples.value >= top * (1 - SAME_SHARE))
    time_us = samples.time_us
    apart = (np.diff(at_top) > 1) | (np.diff(time_us[at_top]) > GAP_MIN * US_PER_MINUTE)
    dark = np.ones(len(samples), np.bool_)
    lit = planned_lit(tank, local_day(tank, from_us(int(time_us[0]))), now)
    edges = [to_us(edge) for span in lit for edge in span]
    at = np.searchsorted(time_us, edges).tolist()
    for begin, end in zip(at[::2], at[1::2], strict=True):
        dark[begin:end] = False
    if np.count_nonzero(dark[at_top]) < LEAST_DARK_SAMPLES:
        return []  # none is stuck, as nearly always
    bright, known_min = _light_outside(samples, at_top, dark, top)
    if len(at_top) < len(samples) and known_min < KNOWN_MIN:
        return []
    found = []
    for run in np.split(at_top, np.flatnonzero(apart) + 1):
        first, after = int(run[0]), int(run[-1]) + 1
        step_min = np.diff(time_us[first:after]) / US_PER_MINUTE
        of_dark = dark[first:after]
        minutes, dark_min = float(step_min.sum()), float(step_min[of_dark[1:] & of_dark[:-1]].sum())
        lamp = first > 0 and after < len(samples) and not (bright[first - 1] or bright[after])
        found.append(_Run(first, after, minutes, dark_min, int(of_dark.sum()), lamp))
    return found


def _light_outside(
    samples: Samples, at_top: npt.NDArray[np.intp], dark: npt.NDArray[np.bool_], top: float
) -> tuple[npt.NDArray[np.bool_], float]:
    """Which samples below the highest value show light, and how many minutes of it there are."""
    below = np.ones(len(samples), np.bool_)
    below[at_top] = False
    nights = samples.value[below & dark]
    night = median(nights) if nights.size else 0.0
    bright = below & (samples.value > night + BRIGHT_SHARE * top)
    step_min = np.diff(samples.time_us) / US_PER_MINUTE
    both = bright[1:] & bright[:-1] & (step_min <= GAP_MIN)
    return bright, float(step_min[both].sum())
