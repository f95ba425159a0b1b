"""Nutrients over time as small drawings for the page of a tank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from service.derive.models.co2 import Array
from service.derive.nutrients.dose_content import content_known
from service.derive.nutrients.estimate import NutrientLevel, Nutrients, nutrients_of
from service.registry.fields.log.water_tests import TESTED_IONS
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank
from service.science.nutrients.limits import CEILINGS

DAYS: Final = 30.0
AHEAD_DAYS: Final = 7.0
WIDTH: Final = 600.0
HEIGHT: Final = 90.0
AIR: Final = 1.1


@dataclass(frozen=True, slots=True)
class NutrientDrawing:
    """One nutrient: words, and a drawing 600 wide and 90 high.

    Attributes:
        value, interval, uptake, why: for people.
        line: points of the middle; band: of the 95 % interval, all round.
        now: where the present is.
        ceiling: height of the highest advisable level; None above the drawing.
        tests: centres of the tests.
        top: level at the upper edge, mg/L.
        words: the same in words.
    """

    ion: str
    value: str
    interval: str
    uptake: str
    why: str
    line: str
    band: str
    now: float
    ceiling: float | None
    tests: tuple[tuple[float, float], ...]
    top: str
    words: str


def nutrient_drawings(
    tank: Tank, log: Sequence[LogEntry], now: datetime
) -> tuple[NutrientDrawing, ...]:
    """The drawings; none where nobody said what is dosed and nothing was tested."""
    tests = [one for one in log if one.kind is LogKind.NUTRIENT_TEST]
    if not tests and not any(content_known(plan) for plan in tank.doses):
        return ()
    found = nutrients_of(tank, log, now, days=DAYS, ahead_days=AHEAD_DAYS)
    return tuple(_drawing(found, one, tests) for one in found.levels)


def _drawing(found: Nutrients, one: NutrientLevel, tests: Sequence[LogEntry]) -> NutrientDrawing:
    time_s = found.time_us / 1e6
    key = next(key for key, ion in TESTED_IONS.items() if ion == one.ion)
    read = [
        (entry.time.timestamp(), float(entry.data[key]))
        for entry in tests
        if key in entry.data and time_s[0] <= entry.time.timestamp() <= time_s[-1]
    ]
    top = AIR * max(float(one.high.max()), *(level for _, level in read), 0.0)
    length_s = max(float(time_s[-1] - time_s[0]), 1.0)

    def points(moments: Array, levels: Array) -> list[tuple[float, float]]:
        x = WIDTH * (moments - time_s[0]) / length_s
        y = HEIGHT * (1 - levels / top)
        return [(float(at), float(height)) for at, height in zip(x, y, strict=True)]

    ceiling = CEILINGS[one.ion].mg_l
    level, uptake = one.level, one.uptake_mg_l_d
    interval = f"{level.low:.2g} to {level.high:.2g}"
    return NutrientDrawing(
        ion=one.ion,
        value=f"{level.value:.2g}",
        interval=interval,
        uptake=f"{uptake.low:.2g} to {uptake.high:.2g} mg/L a day",
        why=f"Uptake {one.uptake_from}. Tap water: {one.tap_from}.",
        line=_text(points(time_s, one.value)),
        band=_text(points(time_s, one.high) + points(time_s, one.low)[::-1]),
        now=WIDTH * (found.now.timestamp() - float(time_s[0])) / length_s,
        ceiling=HEIGHT * (1 - ceiling / top) if ceiling < top else None,
        tests=tuple(points(*np.array(read).T)) if read else (),
        top=f"{top:.2g}",
        words=(
            f"{one.ion} now {level.value:.2g} mg/L, 95 %: {interval}; "
            f"{len(read)} tests in the drawing"
        ),
    )


def _text(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
