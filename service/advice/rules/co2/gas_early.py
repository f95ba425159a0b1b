"""Rule `gas-early`: CO2 reaches its target long before lights-on.

Judges the last day with light. Clears when the target is reached closer to lights-on, six hours
after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.levers import GAS_LATER
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import span
from service.advice.rules.co2.gas_late import lead_evidence, moved_clock, timer_step
from service.advice.rules.co2.last_day import lamp_off_plan, last_day
from service.registry.models.log import Lever

CODE = "gas-early"
LEFT_ON_MIN = 360.0
"""CO2 within target for longer before lights-on is gas left on, see ``gas-at-night``."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when CO2 was within target long before the lamp came on."""
    day = last_day(case)
    plan = case.tank.gas
    if day is None or day.reached_min is None or plan.start is None:
        return
    if lamp_off_plan(case, day):
        return
    before_min = -day.reached_min
    most = case.limit("gas_early_min")
    if not case.eased(most, 0.7, CODE) < before_min < LEFT_ON_MIN:
        return
    later_min = timer_step(before_min - case.limit("gas_margin_min") - 15)
    moved = moved_clock(plan.start.hour * 60 + plan.start.minute + later_min)
    yield Finding(
        code=CODE,
        severity=Severity.INFO,
        title=f"CO2 reaches its target {span(before_min)} before lights-on",
        action=(
            f"Set CO2 to come on at {moved} ({span(later_min)} later). That saves CO2 and spares "
            "the animals some hours of it; plants take up none in the dark."
        ),
        evidence=(
            Evidence(
                "CO2 within target before lights-on", "minutes-early", before_min, "min", most,
                day.on_at, COMMON_PRACTICE,
            ),
            *lead_evidence(case),
        ),
        amounts=(Amount("CO2 on later by", later_min, "min"),),
        hazards=(Hazard.CO2,),
        who=Who.KEEPER,
        confidence=0.7,
        since=day.on_at,
        log=adjustment(Lever.GAS_TIMES, moved),
        moves=(GAS_LATER,),
    )  # fmt: skip


RULE = Rule(
    CODE,
    "target reached long before lights-on",
    judge,
    clear_delay=timedelta(hours=6),
    settling=timedelta(days=2),
    may_move=(GAS_LATER,),
)
