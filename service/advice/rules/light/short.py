"""Rule `light-short`: the lamp is on for less than wanted.

Judges the last two full days. Clears when one of them was long enough, an hour after it was last
found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.levers import LONGER_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import span
from service.advice.rules.co2.gas_out import no_gas
from service.advice.rules.light.dead import dark_since
from service.advice.rules.light.full_days import full_days, light_sensor
from service.advice.rules.light.plan import wanted_hours
from service.derive.models.light import LightDay
from service.registry.models.log import Lever

CODE = "light-short"
UNSEEN_H = 0.15
"""Less that was not seen is not worth a word. Our choice."""
DAYS = 2
"""It must be short on so many full days in a row: a lamp that was mended is one short day."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the last two full days were too short; a dark lamp has its own rule."""
    days = full_days(case)[-DAYS:]
    wanted = wanted_hours(case)
    if len(days) < DAYS or not all(one.lit for one in days) or dark_since(case) is not None:
        return
    if no_gas(case) is not None:
        return  # ``gas-out`` asks for shorter light meanwhile
    tolerance = case.limit("photoperiod_tolerance_min")
    least = case.eased(tolerance, 0.5, CODE)
    hours = [one.photoperiod_high_h for one in days]  # what was not seen may have been lit
    if abs(hours[0] - hours[1]) > case.limit("light_grace_min") / 60:
        return  # no two days alike: something broke or was mended in between
    short_min = 60 * (wanted - max(hours))
    if short_min <= least:
        return
    day, plan = days[-1], case.tank.light
    broken = (
        f" It went dark {len(day.lit) - 1} times in between: look at plug, timer and lamp."
        if len(day.lit) > 1
        else ""
    )
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"The lamp is on {span(short_min)} too short",
        action=(
            f"Set the timer to the plan, {wanted:g} h from {plan.start:%H:%M}, or change the "
            f"plan if shorter light is meant. On the last {DAYS} full days the lamp was on for "
            f"{_hours(day)}.{broken}"
        ),
        evidence=(
            Evidence(
                "missing of the planned light", "photoperiod-lack", short_min, "min", tolerance,
                day.lit[-1][1], f"{light_sensor(case)}; {COMMON_PRACTICE}".lstrip("; "),
            ),
        ),
        amounts=(Amount("light missing", short_min, "min"),),
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        confidence=0.8,
        since=days[0].lit[0][0],
        log=adjustment(Lever.LIGHT_HOURS, f"{wanted:g} h from {plan.start:%H:%M}"),
        moves=(LONGER_LIGHT,),
    )  # fmt: skip


def _hours(day: LightDay) -> str:
    """How long it was lit; at most so long where not all of the day was seen."""
    lit_h = day.photoperiod_h or 0.0
    if day.photoperiod_high_h - lit_h < UNSEEN_H:
        return f"{lit_h:.1f} h"
    return f"{day.photoperiod_high_h:.1f} h at most"


RULE = Rule(
    CODE,
    "lamp on for less than its plan, two days in a row",
    judge,
    timedelta(hours=1),
    may_move=(LONGER_LIGHT,),
)
