"""Estimated NO3, PO4, K and Fe of a tank over time, from its log and plans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.models.co2 import Array
from service.derive.models.quality import EstimatedValue
from service.derive.nutrients.history import History, history_of
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.science.numeric.estimate import Estimate
from service.science.nutrients.budget import NutrientCourse, nutrient_courses
from service.science.nutrients.ranges import RANGES
from service.times import to_us

STEP: Final = timedelta(hours=6)
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class NutrientLevel:
    """One nutrient, mg/L, with 95 % intervals.

    Attributes:
        ion: as test kits name it.
        level: at the moment asked for.
        uptake_mg_l_d: fall per day; below 0 where animals and food give more than plants take.
        uptake_from, tap_from: where these come from, a sentence each.
        tests: how many counted.
        value, low, high: at ``Nutrients.time_us``.
    """

    ion: str
    level: EstimatedValue
    uptake_mg_l_d: EstimatedValue
    uptake_from: str
    tap_from: str
    tests: int
    value: Array
    low: Array
    high: Array


@dataclass(frozen=True, slots=True)
class Nutrients:
    """The nutrients of a tank over time.

    Attributes:
        now: the moment of the levels.
        time_us: moments of the courses, the last of them ``now``, or later where days ahead were
            asked for, without further doses and changes.
        reasons: what makes the estimate wide.
    """

    now: datetime
    time_us: npt.NDArray[np.int64]
    levels: tuple[NutrientLevel, ...]
    reasons: tuple[str, ...]

    def of(self, ion: str) -> NutrientLevel:
        """The level of one ion."""
        return next(one for one in self.levels if one.ion == ion)


def nutrients_of(
    tank: Tank,
    log: Sequence[LogEntry],
    now: datetime,
    *,
    days: float = 0.0,
    ahead_days: float = 0.0,
) -> Nutrients:
    """Estimate the nutrients of a tank.

    Args:
        log: as the loader gives it.
        days, ahead_days: length of the course before and after ``now``.
    """
    history = history_of(tank, log, now)
    start_s, now_s = history.start.timestamp(), now.timestamp()
    back = np.arange(0.0, days * DAY_S + 1.0, STEP.total_seconds())
    ahead = np.arange(STEP.total_seconds(), ahead_days * DAY_S + 1.0, STEP.total_seconds())
    moments = np.concatenate((now_s - back[::-1], now_s + ahead))
    moments = moments[moments >= start_s]
    at = int(np.searchsorted(moments, now_s))
    courses = nutrient_courses(
        start_s, history.events, moments, tap_mg_l=history.tap_mg_l, uptake_at=at
    )
    return Nutrients(
        now=now,
        time_us=np.array([to_us(now) + round((one - now_s) * 1e6) for one in moments.tolist()]),
        levels=tuple(_level(ion, course, history, at) for ion, course in courses.items()),
        reasons=history.reasons,
    )


def _level(ion: str, course: NutrientCourse, history: History, at: int) -> NutrientLevel:
    level, uptake, what = course.level, course.uptake_mg_l_d, RANGES[ion]
    learned = f"learned from {course.tests} tests, and from {what.uptake_source}"
    tap = history.tap_mg_l.get(ion)
    return NutrientLevel(
        ion=ion,
        level=_at(level, at),
        uptake_mg_l_d=_at(uptake, 0),
        uptake_from=learned if course.tests >= 2 else what.uptake_source,
        tap_from=f"{tap:.3g} mg/L, from the plan" if tap is not None else what.tap_source,
        tests=course.tests,
        value=level.value,
        low=level.low,
        high=level.high,
    )


def _at(course: Estimate, at: int) -> EstimatedValue:
    return EstimatedValue(float(course.value[at]), float(course.low[at]), float(course.high[at]))
