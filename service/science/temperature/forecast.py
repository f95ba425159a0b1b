"""When temperature will reach a limit: by the tank's own days, and by what the last hours do.

Temperature is taken as the tank's own daily course (``daily_course``) and what departs from it. Two
things may be so:

- a day like the others: the departure stays as it is, and differs from now on as the days did;
- something has changed (a heater that fails or sticks, a window): the departure goes on as water
  does on its way to another equilibrium (``approach``), or all of the temperature does, since what
  made the days alike may be what has failed.

Each counts by how usual the departure of the last hours is. Courses are drawn from both, and the
first moment of each beyond the limit gives the answer. Without own days only the second is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.intervals import series, steps
from service.science.numeric.ranks import median
from service.science.temperature.approach import RESOLUTION_C, drawn_courses, fit_approach
from service.science.temperature.daily_course import LEVEL_H, DailyCourse

WINDOW_S: Final = 3 * 3600.0
HORIZON_S: Final = 12 * 3600.0
MAX_POINTS: Final = 36
"""Samples are averaged into at most so many bins: correlated noise over a few minutes
then hardly does from bin to bin."""

MIN_POINTS: Final = 8
MIN_SPAN: Final = 0.5
"""Share of the window the samples must cover. Our choice."""

AHEAD_STEPS: Final = 145
DRAWS: Final = 1000
SEED: Final = 20260311

CHANGED_SHARE: Final = 0.1
"""So many days something has changed in the last hours. Our choice."""

CHANGE_C: Final = 1.0
"""By about so much, in the window, temperature departs where something has changed. Our choice."""

MOVES_A_DAY: Final = 4
"""Moves of three hours that a day shows, apart from each other, for the degrees of freedom."""

LEAST_PROBABILITY: Final = 0.025


@dataclass(frozen=True)
class Crossing:
    """When temperature reaches a limit: unix seconds, median and central 95 %.

    `math.inf` stands for "not within the horizon". `probability` is that of reaching the
    limit within the horizon.
    """

    limit_c: float
    at_s: float
    earliest_s: float
    latest_s: float
    probability: float


def forecast_crossing(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    limit_c: float,
    *,
    course: DailyCourse | None = None,
    window_s: float = WINDOW_S,
    horizon_s: float = HORIZON_S,
) -> Crossing | None:
    """Forecast when temperature reaches `limit_c`, from the samples of the last `window_s`.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    limit_c: the limit in °C, above or below the present temperature.
    course: of the tank's own days, around the last sample. Without it the forecast holds only as
        long as what drives the temperature stays as it was in the window.
    window_s: stretch before the last sample that is fitted.
    horizon_s: how far to look beyond the last sample.

    Returns
    -------
    Crossing; None if fewer than 8 samples or less than half of the window are there, or if
    the limit is out of reach within the horizon (probability below 2.5 %).

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, window or horizon not positive.
    """
    window = as_number("window_s", window_s, above=0, unit="s")
    horizon = as_number("horizon_s", horizon_s, above=0, unit="s")
    limit = as_number("limit_c", limit_c, unit="°C")
    time, temperature = series("temperature_c", time_s, temperature_c)
    steps(time)  # refuses unsorted time
    if not time.size:
        return None
    recent = time >= time[-1] - window
    now, time, temperature = float(time[-1]), time[recent], temperature[recent]
    if time.size < MIN_POINTS or now - time[0] < MIN_SPAN * window:
        return None
    hours, celsius = binned((time - now) / SECONDS_PER_HOUR, temperature)
    ahead = np.linspace(0.0, horizon / SECONDS_PER_HOUR, AHEAD_STEPS)
    courses = _courses(hours, celsius, ahead, course)
    return _crossing(courses, ahead, limit, now)


def binned(hours: Floats, temperature: Floats) -> tuple[Floats, Floats]:
    """Average into at most MAX_POINTS bins of equal time."""
    if hours.size <= MAX_POINTS:
        return hours, temperature
    edges = np.linspace(hours[0], 0.0, MAX_POINTS + 1)[1:-1]
    of_bin = np.searchsorted(edges, hours, side="right")
    count = np.bincount(of_bin, minlength=MAX_POINTS)
    filled = count > 0
    means = (np.bincount(of_bin, weights=x, minlength=MAX_POINTS) for x in (hours, temperature))
    mean_hours, mean_temperature = (each[filled] / count[filled] for each in means)
    return mean_hours, mean_temperature


def _courses(hours: Floats, celsius: Floats, ahead: Floats, course: DailyCourse | None) -> Floats:
    """Courses of temperature that may follow, (DRAWS, ahead)."""
    rng = np.random.default_rng(SEED)
    if course is None:
        return drawn_courses(fit_approach(hours, celsius), ahead, np.full(DRAWS, True), rng)
    departure = celsius - course.at(hours)
    level = float(departure[hours > -LEVEL_H].mean())
    weight = _changed_weight(course, hours, departure, level)
    kind = rng.random(DRAWS)
    courses = course.drawn(ahead, DRAWS, rng)
    courses += course.at(ahead)
    of_departure, of_all = fit_approach(hours, departure), fit_approach(hours, celsius)
    share = 1 / (1 + math.exp(min(of_departure.log_evidence - of_all.log_evidence, 50.0)))
    changed, other_law = kind < weight, kind < weight * share
    courses += np.where(changed, 0.0, level)[:, None]
    courses[changed] += drawn_courses(of_departure, ahead, changed, rng)
    courses[other_law] = drawn_courses(of_all, ahead, other_law, rng)
    return courses


def _changed_weight(course: DailyCourse, hours: Floats, departure: Floats, level: float) -> float:
    """Probability that something has changed, by the largest move of the departure.

    Against those in as long a time on the own days: a heater that cycles moves them too.
    """
    starts = np.arange(hours[0], -LEVEL_H, LEVEL_H)
    early = [(hours >= start) & (hours < start + LEVEL_H) for start in starts]
    moved_c = max(abs(level - float(departure[one].mean())) for one in early if one.any())
    spread = math.hypot(course.usual_move_c(len(starts)), RESOLUTION_C)
    wide = math.hypot(spread, CHANGE_C)
    degrees = MOVES_A_DAY * (course.deviations.shape[0] - 1)
    usual = (1 - CHANGED_SHARE) * _student(moved_c / spread, degrees) / spread
    other = CHANGED_SHARE * _normal(moved_c / wide) / wide
    return other / (usual + other)


def _normal(x: float) -> float:
    """Density of the normal distribution."""
    return math.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)


def _student(x: float, degrees: int) -> float:
    """Density of Student's t."""
    half = (degrees + 1) / 2
    log = math.lgamma(half) - math.lgamma(degrees / 2) - 0.5 * math.log(degrees * math.pi)
    return math.exp(log - half * math.log1p(x * x / degrees))


def _crossing(courses: Floats, ahead: Floats, limit: float, now: float) -> Crossing | None:
    rises = limit >= median(courses[:, 0])
    beyond = courses >= limit if rises else courses <= limit
    reached = beyond.any(axis=1)
    first = np.where(reached, _first_beyond(courses, beyond, ahead, limit), np.inf)
    probability = float(reached.mean())
    if probability < LEAST_PROBABILITY:
        return None
    order = np.sort(first)
    earliest, middle, latest = (
        now + SECONDS_PER_HOUR * float(order[min(int(share * order.size), order.size - 1)])
        for share in (0.025, 0.5, 0.975)
    )
    return Crossing(limit, middle, earliest, latest, probability)


def _first_beyond(
    courses: Floats, beyond: npt.NDArray[np.bool_], ahead: Floats, limit: float
) -> Floats:
    """Hours until each course is first beyond the limit, by the line from the step before."""
    every = np.arange(courses.shape[0])
    after = np.argmax(beyond, axis=1)
    before = np.maximum(after - 1, 0)
    rise = courses[every, after] - courses[every, before]
    part = np.divide(limit - courses[every, before], rise, out=np.ones(every.size), where=rise != 0)
    return np.asarray(ahead[before] + np.clip(part, 0.0, 1.0) * (ahead[after] - ahead[before]))
