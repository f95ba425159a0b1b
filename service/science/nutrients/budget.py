"""The level of nutrients over time, from doses, water changes, tests and a range of uptake.

Between events   dC/dt = -u - l C,   C >= 0

u net uptake, mg/L/d (below 0 where animals and food give more than plants take), l what is lost in
proportion, 1/d. A dose adds its rise; a water change of fraction f gives C + f (C_tap - C), exact
for mixed water; a test weighs every course by how well it agrees. u wanders about its range
(Ornstein-Uhlenbeck), so that old tests lose their weight.

All of what is not known is drawn at the start, and the draws are sifted by the tests (``draws``).
With two tests or more the uptake is learned; without any it is the range it was drawn from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, as_number
from service.science.numeric.estimate import Estimate
from service.science.numeric.intervals import steps
from service.science.nutrients.draws import (
    Draws,
    drawn,
    let_pass,
    quantiles,
    set_anew,
    sift,
    widest_mg_l,
)
from service.science.nutrients.ranges import RANGES, UNLOGGED_SHARE, UNUSUAL_SHARE, NutrientRange

SECONDS_PER_DAY: Final = 86_400.0
DRAWS: Final = 1000
SEED: Final = 20260311


@dataclass(frozen=True)
class Event:
    """What was done to the water, or measured in it, at a moment.

    Attributes
    ----------
    time_s: unix seconds.
    rise_mg_l: what a dose adds, by ion.
    unknown_dose: a dose was given of which nobody knows what is in it.
    changed: share of the water renewed, 0-1.
    tap_mg_l: levels of the new water where they are not the usual ones, by ion.
    test_mg_l: what a test read, by ion.
    """

    time_s: float
    rise_mg_l: Mapping[str, float] | None = None
    unknown_dose: bool = False
    changed: float = 0.0
    tap_mg_l: Mapping[str, float] | None = None
    test_mg_l: Mapping[str, float] | None = None


@dataclass(frozen=True)
class NutrientCourse:
    """The level of one ion over time, mg/L, with its 95 % interval.

    Attributes
    ----------
    level: at the moments asked for; what was known then, so that it jumps at a test.
    uptake_mg_l_d: fall per day at one of them (1,), what is lost beside included.
    tests: how many counted.
    """

    level: Estimate
    uptake_mg_l_d: Estimate
    tests: int


def nutrient_courses(
    start_s: float,
    events: Sequence[Event],
    at_s: ArrayLike,
    *,
    tap_mg_l: Mapping[str, float] | None = None,
    uptake_at: int = -1,
    ranges: Mapping[str, NutrientRange] = RANGES,
    draws: int = DRAWS,
    seed: int = SEED,
) -> dict[str, NutrientCourse]:
    """Estimate the level of each ion at some moments.

    Parameters
    ----------
    start_s: unix seconds since when every dose and change is known.
    events: sorted by time; earlier ones than `start_s` are left out. Ions without a range pass.
    at_s: moments asked for (n,), n at least 1, sorted, none before `start_s`; an event at one of
        them counts.
    tap_mg_l: the usual tap water, by ion; the range where it is not known.
    uptake_at: which of the moments the uptake is asked for at; the last.
    ranges: by ion, what is known beforehand.
    draws: of what is not known, 20 or more.
    seed: of the random numbers; the same gives the same answer.

    Returns
    -------
    NutrientCourse by ion.

    Raises
    ------
    OutOfRangeError: times not sorted, no moment, a moment before the start, a share outside 0-1,
        a negative rise, test or level of tap water.
    """
    moments = as_floats("at_s", at_s)
    steps(moments)
    if not moments.size:
        raise OutOfRangeError("at_s", 0.0, "at least one moment")
    if moments[0] < start_s:
        raise OutOfRangeError("at_s", float(moments[0]), f"no moment before {start_s:.0f}")
    steps(np.array([one.time_s for one in events]))
    counted = [one for one in events if one.time_s >= start_s]
    for one in counted:
        _check(one)
    known, falls_at = tap_mg_l or {}, range(moments.size)[uptake_at]
    return {
        ion: _course(
            ion, what, start_s, counted, moments, falls_at, known.get(ion),
            np.random.default_rng((seed, number)), draws,
        )
        for number, (ion, what) in enumerate(ranges.items())
    }  # fmt: skip


def _check(event: Event) -> None:
    as_number("changed", event.changed, low=0, high=1)
    for name in ("rise_mg_l", "tap_mg_l", "test_mg_l"):
        for ion, value in (getattr(event, name) or {}).items():
            as_number(f"{name} of {ion}", value, low=0, unit="mg/L")


def _course(
    ion: str,
    what: NutrientRange,
    start_s: float,
    events: Sequence[Event],
    moments: Floats,
    falls_at: int,
    tap_mg_l: float | None,
    rng: np.random.Generator,
    size: int,
) -> NutrientCourse:
    state = drawn(what, tap_mg_l, rng, size)
    level, uptake = np.empty((3, moments.size)), np.empty((3, 1))
    now, tests, waiting = start_s, 0, 0
    for number, moment in enumerate(moments.tolist()):
        while waiting < len(events) and events[waiting].time_s <= moment:
            event = events[waiting]
            waiting += 1
            let_pass(state, what, (event.time_s - now) / SECONDS_PER_DAY, rng)
            now = event.time_s
            tests += _happen(state, ion, what, event, tests == 0, rng)
        let_pass(state, what, (moment - now) / SECONDS_PER_DAY, rng)
        now = moment
        level[:, number] = quantiles(state.level, state.weight)
        if number == falls_at:
            uptake[:, 0] = quantiles(state.uptake + state.loss * state.level, state.weight)
    return NutrientCourse(
        level=Estimate(value=level[1], low=level[0], high=level[2]),
        uptake_mg_l_d=Estimate(value=uptake[1], low=uptake[0], high=uptake[2]),
        tests=tests,
    )


def _happen(
    state: Draws,
    ion: str,
    what: NutrientRange,
    event: Event,
    is_first: bool,
    rng: np.random.Generator,
) -> int:
    """Let an event happen; 1 if it was a test of this ion. Test, then change, then dose."""
    read = (event.test_mg_l or {}).get(ion)
    if read is not None:
        if not is_first:
            set_anew(state, UNLOGGED_SHARE, widest_mg_l(what, read), rng)
        elif read > what.start_mg_l:
            set_anew(state, UNUSUAL_SHARE, widest_mg_l(what, read), rng)
        sift(state, what, read, rng)
    if event.changed > 0:
        own = (event.tap_mg_l or {}).get(ion)
        tap = state.tap if own is None else own
        state.level = state.level + event.changed * (tap - state.level)
    rise = (event.rise_mg_l or {}).get(ion, 0.0)
    if rise > 0:
        state.level = state.level + rise * np.exp(state.log_dose)
    if event.unknown_dose:
        state.level = state.level + state.unknown
    return int(read is not None)
