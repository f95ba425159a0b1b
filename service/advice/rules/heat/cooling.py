"""Rule `temperature-cooling`: an unheated tank cools down towards its lower limit.

Judges the daily minima of the last days. Clears when they stop falling or lie clear of the limit,
twelve hours after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import newest
from service.advice.engine.levers import WARMER
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import days as days_text
from service.derive.models.quality import Quality
from service.registry.models.log import LogKind

CODE = "temperature-cooling"


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the daily minimum falls and comes near the lower limit.

    Cool-tolerant animals are not asked to be heated: far above their limit there is no finding.
    """
    found = case.view.temperature
    limits = found.tolerable
    minima = case.view.daily_minima_c
    days = int(case.limit("cooling_days"))
    if case.tank.heated or limits.low_c is None or found.quality is Quality.STALE:
        return
    if len(minima) < days + 1:
        return
    if not case.active(CODE) and _cooled_by_new_water(case, days, minima[-1]):
        return
    lowest, before = minima[-1], minima[-1 - days]
    margin = case.eased(case.limit("cooling_margin_c"), 1.5, CODE)
    if not (limits.low_c <= lowest <= limits.low_c + margin and before - lowest > 0.3):
        return
    per_day = (before - lowest) / days
    left_days = (lowest - limits.low_c) / per_day
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"Unheated and cooling: {lowest:.1f} °C at its lowest",
        action=(
            "If the weather stays cool, close the lid and warm the room. The daily minimum fell by "
            f"{per_day:.1f} °C a day. It is {lowest - limits.low_c:.1f} °C above the lower limit "
            f"of {limits.low_species or 'the animals'}, {limits.low_c:g} °C. As long as it stays "
            "above, no heater is needed."
        ),
        keeper_action=(
            f"If that is not enough, put in a heater set to {limits.low_c + 1:g} °C within "
            f"{days_text(left_days)}."
        ),
        evidence=(
            Evidence(
                "lowest temperature of the last day", "temperature", lowest, "Cel", limits.low_c,
                case.now, COMMON_PRACTICE,
            ),
        ),
        amounts=(
            Amount("fall of the daily minimum", per_day, "K/d"),
            Amount("above the limit", lowest - limits.low_c, "K"),
        ),
        due=case.now + timedelta(days=max(left_days, 1)),
        hazards=(Hazard.TEMPERATURE, Hazard.MAINS),
        confidence=0.6,
        since=case.now - timedelta(days=days),
        moves=(WARMER,),
    )  # fmt: skip


def _cooled_by_new_water(case: Case, days: int, lowest_c: float) -> bool:
    """Whether a water change within the days that are compared may explain the fall."""
    change = newest(case, LogKind.WATER_CHANGE)
    if change is None or case.now - change.time >= timedelta(days=days):
        return False
    new_c = change.data.get("temperature_c")
    return new_c is None or float(new_c) < lowest_c + 1.0


RULE = Rule(
    CODE,
    "unheated tank cooling towards its lower limit",
    judge,
    timedelta(hours=12),
    may_move=(WARMER,),
)
