"""Rule `light-settling`: a shorter photoperiod after a set-up or a large replant.

Judges the hours of the last full day in those weeks. Clears when they are short enough or the
weeks are over.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.levers import SHORTER_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import local_date, span
from service.advice.rules.light.full_days import full_days
from service.advice.rules.light.plan import settling_since
from service.registry.models.log import Lever

CODE = "light-settling"
ALLOWED_H = 0.5
IN_TIME = timedelta(days=1)
"""The lamp's timer is set by the day after the work. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding while plants settle and the lamp is on for longer than they can use."""
    began = settling_since(case)
    hours = case.limit("settling_hours")
    days = full_days(case)
    lit_h = days[-1].photoperiod_low_h if days and days[-1].lit else case.tank.light.photoperiod_h
    if case.tank.light.photoperiod_h <= hours:
        return  # the plan itself is short enough; ``light-long`` reports a lamp that is on longer
    if began is None or lit_h <= hours + case.eased(ALLOWED_H, 0.5, CODE):
        return
    what, start = began
    until = start + timedelta(weeks=case.limit("settling_weeks"))
    begin, end = (local_date(case.tank, one, case.now) for one in (start, until))
    shorter_min = 60 * (lit_h - hours)
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"Shorten the light to {hours:g} h while plants settle",
        action=(
            f"Keep the light at {hours:g} h until {end}, then add "
            f"{span(60 * case.limit('settling_step_h'))} a week up to the plan of "
            f"{case.tank.light.photoperiod_h:g} h. {what} on {begin}: roots and leaves need "
            "weeks to use strong light again, algae don't."
        ),
        evidence=(
            Evidence(
                "hours of light", "photoperiod", lit_h, "h", hours, start, COMMON_PRACTICE,
            ),
        ),
        amounts=(Amount("shorter by", shorter_min, "min"),),
        due=start + IN_TIME,
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        confidence=0.6,
        since=start,
        log=adjustment(Lever.LIGHT_HOURS, f"{hours:g} h"),
        moves=(SHORTER_LIGHT,),
    )  # fmt: skip


RULE = Rule(
    CODE,
    "weeks after a set-up or a large replant",
    judge,
    settling=timedelta(days=21),
    may_move=(SHORTER_LIGHT,),
)
