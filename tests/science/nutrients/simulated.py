"""Invented planted tanks, hour by hour, whose nutrients the estimate is held against.

Written apart from the estimate: Euler steps, uptake that falls with the level (Michaelis-Menten),
a test kit that reads in steps.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from service.science.nutrients.budget import Event, nutrient_courses
from service.science.nutrients.ranges import RANGES

DAY_S: Final = 86_400.0
DAYS: Final = 90
HALF_UPTAKE: Final = {"NO3": 0.5, "PO4": 0.03, "K": 0.5, "Fe": 0.01}
KIT_STEP: Final = {"NO3": 1.0, "PO4": 0.05, "K": 1.0, "Fe": 0.02}
WEEKLY: Final = {"NO3": 12.0, "PO4": 1.2, "K": 10.0, "Fe": 0.3}


@dataclass(frozen=True)
class Regime:
    """A kind of tank: tests in 90 days, tap water known, uptake changing half-way, missed doses."""

    tests: int
    tap_known: bool = True
    uptake_changes: bool = False
    dosed: bool = True
    content_known: bool = True


REGIMES: Final = {
    "nothing tested": Regime(0),
    "nothing tested, tap unknown": Regime(0, tap_known=False),
    "two tests": Regime(2),
    "four tests": Regime(4),
    "four tests, tap unknown": Regime(4, tap_known=False),
    "tested each week": Regime(13),
    "uptake changes": Regime(4, uptake_changes=True),
    "not dosed": Regime(4, dosed=False),
    "content unknown": Regime(4, content_known=False),
}


@dataclass(frozen=True)
class World:
    """What is known of an invented tank, and what is true at its last moment, by ion."""

    events: tuple[Event, ...]
    tap_mg_l: dict[str, float] | None
    level: dict[str, float]
    uptake: dict[str, float]


@dataclass
class Score:
    """How often the intervals held the truth, with how wide they were."""

    hits: list[tuple[str, bool, bool, float]] = field(default_factory=list)

    def add(self, one: World) -> None:
        """Estimate a tank and compare."""
        end = DAYS * DAY_S
        for ion, found in nutrient_courses(0.0, one.events, [end], tap_mg_l=one.tap_mg_l).items():
            level, uptake = found.level, found.uptake_mg_l_d
            self.hits.append(
                (
                    ion,
                    bool(level.low[0] - 1e-9 <= one.level[ion] <= level.high[0]),
                    bool(uptake.low[0] <= one.uptake[ion] <= uptake.high[0]),
                    float(level.high[0] - level.low[0]) / RANGES[ion].start_mg_l,
                )
            )

    @property
    def level_share(self) -> float:
        """Share of the levels within their interval."""
        return float(np.mean([level for _, level, _, _ in self.hits]))

    @property
    def uptake_share(self) -> float:
        """Share of the uptakes within their interval."""
        return float(np.mean([uptake for _, _, uptake, _ in self.hits]))


def world(rng: np.random.Generator, regime: Regime) -> World:
    """An invented tank of a kind."""
    fraction = rng.uniform(0.3, 0.6)
    test_days = set(rng.choice(np.arange(4, DAYS - 1), regime.tests, replace=False).tolist())
    change_days = range(int(rng.integers(1, 7)), DAYS, 7)
    rises = {ion: rng.uniform(0.0, 1.5 * most) for ion, most in WEEKLY.items()}
    if not regime.dosed:
        rises = {}
    read: dict[int, dict[str, float]] = {day: {} for day in test_days}
    tap_stated: dict[str, float] = {}
    level: dict[str, float] = {}
    uptake: dict[str, float] = {}
    for ion, what in RANGES.items():
        least, most = what.uptake_mg_l_d
        first, second = rng.normal((least + most) / 2, (most - least) / 3.92, 2)
        if not regime.uptake_changes:
            second = first
        slow, fast = what.loss_per_d
        loss = np.exp(rng.uniform(np.log(slow), np.log(fast))) if fast > 0 else 0.0
        tap = rng.uniform(0.0, what.tap_mg_l)
        tap_stated[ion] = max(tap * (1 + 0.15 * rng.normal()), 0.0)
        dose = rises.get(ion, 0.0) * np.exp(0.1 * rng.normal())
        now = rng.uniform(0.0, what.start_mg_l)
        for hour in range(DAYS * 24):
            day, of_day = divmod(hour, 24)
            wanted = second if day >= DAYS // 2 else first
            limited = now / (now + HALF_UPTAKE[ion]) if wanted > 0 else 1.0
            if of_day == 11 and day in read:
                step = KIT_STEP[ion]
                seen = now * (1 + 0.2 * rng.normal()) + what.test_sd_mg_l * 0.7 * rng.normal()
                read[day][ion] = max(round(seen / step) * step, 0.0)
            if of_day == 12 and day in change_days:
                now += fraction * (tap - now) + dose
            fall = wanted * limited + loss * now
            now = max(now - fall / 24, 0.0)
        level[ion], uptake[ion] = now, wanted + loss * now
    events = [Event((day + 11 / 24) * DAY_S, test_mg_l=one) for day, one in read.items()]
    for day in change_days:
        at = (day + 12 / 24) * DAY_S
        if regime.content_known:
            events.append(Event(at, changed=fraction, rise_mg_l=rises))
        else:
            events.append(Event(at, changed=fraction, unknown_dose=regime.dosed))
    events.sort(key=lambda one: one.time_s)
    return World(tuple(events), tap_stated if regime.tap_known else None, level, uptake)
