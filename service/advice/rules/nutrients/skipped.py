"""Rule `dose-skipped`: a dose was left out; don't make up for it.

Judges the log between the window of a dose and the next water change. Clears when the dose is
logged with its date, or at the next change.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import days_since, dosed_since, last_full_change, planned_doses
from service.advice.engine.levers import MORE_DOSE
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.rules.nutrients.need import left_out, needs_of
from service.registry.models.log import LogEntry
from service.registry.models.plans import DosePlan

CODE = "dose-skipped"


def judge(case: Case) -> Iterator[Finding]:
    """One finding per dose, once its window is over, up to the next change.

    Only for a dose that was given before: a plan that nobody follows needs no reminder here.
    """
    change = last_full_change(case)
    if change is None or days_since(case, change.time) <= case.limit("dose_window_days"):
        return
    if days_since(case, change.time) > case.tank.water_change.every_days:
        return
    for plan in case.tank.doses:
        missed = dosed_since(case, plan, change) is None and any(planned_doses(case, plan))
        if missed and not left_out(needs_of(case, plan)):
            yield _finding(case, plan, change)


def _finding(case: Case, plan: DosePlan, change: LogEntry) -> Finding:
    return Finding(
        code=CODE,
        subject=plan.name,
        severity=Severity.INFO,
        title=f"{plan.name.capitalize()} was not dosed after the last change",
        action=(
            "Leave it out now and dose as usual after the next change. A double dose does more "
            "harm than a week without. If it was given, log it with its date."
        ),
        evidence=(
            Evidence(
                "days since the water change before this dose", "days",
                days_since(case, change.time), "d", case.limit("dose_window_days"), change.time,
                COMMON_PRACTICE,
            ),
        ),
        hazards=(Hazard.CHEMICALS,),
        confidence=0.7,
        closed_by=("dose",),
        moves=(MORE_DOSE,),
        since=change.time,
    )  # fmt: skip


RULE = Rule(
    CODE,
    "a planned dose was left out after the last change",
    judge,
    settling=timedelta(days=14),
    may_move=(MORE_DOSE,),
)
