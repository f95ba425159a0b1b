"""Rule `water-change-due`: the routine water change is due.

Judges the days since the last large change in the log. Clears when one is logged.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta

from service.advice.care_log import (
    days_since,
    last_full_change,
    parts_done,
    remaining,
    renewed,
    set_up_at,
    work_without_change,
)
from service.advice.engine.levers import CHANGE_WATER
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.phrases import percent, span
from service.advice.rules.water.new_water import new_water
from service.derive.local_time import local_day, local_moment

CODE = "water-change-due"
EVENING = time(20)


def judge(case: Case) -> Iterator[Finding]:
    """One finding from the local day that the plan's interval ends; major work has its own rule."""
    plan = case.tank.water_change
    if plan.every_days <= 0 or work_without_change(case) is not None:
        return
    last = last_full_change(case)
    start = set_up_at(case) if last is None else last.time
    due_day = (
        None if start is None else local_day(case.tank, start + timedelta(days=plan.every_days))
    )
    if due_day is not None and local_day(case.tank, case.now) < due_day:
        return
    due = evening(case, due_day)
    late = case.now - (start or case.now) - timedelta(days=plan.every_days)
    overdue = late > timedelta(days=plan.every_days * case.limit("change_overdue_fraction"))
    done = parts_done(case)
    water = new_water(case, remaining(case, plan.fraction, done))
    if done and local_day(case.tank, done[0].time) == local_day(case.tank, case.now):
        due = evening(case, local_day(case.tank, case.now) + timedelta(days=1))
    since_text = (
        "No water change is in the log."
        if last is None
        else f"The last large one was {span(case.now - last.time)} ago."
    )
    if done:
        since_text += f" {percent(renewed(done))} of it is done: this is what is left."
    yield Finding(
        code=CODE,
        severity=Severity.WARNING if overdue and last is not None else Severity.ADVICE,
        title=f"Water change due: {water.amount_text}",
        action=(
            f"Change {water.amount_text}. {water.how}{since_text} {water.effect}{water.reuse}"
        ).rstrip(),
        evidence=(
            Evidence(
                f"planned every {plan.every_days:g} days",
                "days-since-water-change",
                None if start is None else days_since(case, start),
                "d",
                plan.every_days,
                None if last is None else last.time,
                "the tank's plan; large weekly changes for high-energy tanks: " + COMMON_PRACTICE,
            ),
        ),
        amounts=water.amounts,
        due=due,
        hazards=water.hazards,
        confidence=0.9 if last is not None else 0.6,
        closed_by=("water-change",),
        moves=(CHANGE_WATER,),
        log=water.log,
        since=due - timedelta(days=1),
    )


def evening(case: Case, day: date | None = None) -> datetime:
    """20:00 local on a day, or today where that day is past; without a day the next 20:00."""
    today = local_day(case.tank, case.now)
    tonight = local_moment(case.tank, today, EVENING)
    if day is None:
        day = today if case.now < tonight else today + timedelta(days=1)
    return tonight if day <= today else local_moment(case.tank, day, EVENING)


RULE = Rule(
    CODE,
    "the plan's interval since the last large water change is over",
    judge,
    may_move=(CHANGE_WATER,),
)
