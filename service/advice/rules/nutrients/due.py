"""Rule `dose-due`: fertiliser is due after the water change.

Amounts are for the tank's net volume. Clears when the dose is logged, or its window is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import last_full_change, planned_doses
from service.advice.engine.levers import MORE_DOSE
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import day_clock, dose
from service.registry.models import DosePlan, LogEntry, LogKind

CODE = "dose-due"


def judge(case: Case) -> Iterator[Finding]:
    """One finding per planned dose that has not followed the last large water change."""
    change = last_full_change(case)
    if change is None:
        return
    window = timedelta(days=case.limit("dose_window_days"))
    if case.now - change.time > window:
        return
    for plan in case.tank.doses:
        if dosed_since(case, plan, change) is None:
            yield _finding(case, plan, change)


def dosed_since(case: Case, plan: DosePlan, change: LogEntry) -> LogEntry | None:
    """The newest entry of a dose since a water change; None if it was not given.

    An entry without a name counts for every planned dose.
    """
    newest = next(planned_doses(case, plan, unnamed=True), None)
    return None if newest is None or newest.time < change.time else newest


def planned_amount(case: Case, plan: DosePlan) -> Amount | None:
    """The dose for the tank's net volume; None where the volume or the plan's rate is missing."""
    volume_l = case.view.net_volume_l
    if volume_l is None:
        return None
    if plan.ml_per_100_l is not None:
        return Amount(plan.name, plan.ml_per_100_l * volume_l / 100, "mL")
    if plan.g_per_100_l is not None:
        return Amount(plan.name, plan.g_per_100_l * volume_l / 100, "g")
    return None


def rate_text(plan: DosePlan) -> str:
    """The plan's own rate: ``10 ml per 100 L``."""
    if plan.ml_per_100_l is not None:
        return f"{plan.ml_per_100_l:g} ml per 100 L"
    return "as planned" if plan.g_per_100_l is None else f"{plan.g_per_100_l:g} g per 100 L"


def _finding(case: Case, plan: DosePlan, change: LogEntry) -> Finding:
    amount = planned_amount(case, plan)
    how_much = rate_text(plan) if amount is None else dose(amount)
    volume_l = case.view.net_volume_l
    why = "" if volume_l is None else f" ({rate_text(plan)}, {volume_l:.0f} L net)"
    due = change.time + timedelta(days=case.limit("dose_window_days"))
    return Finding(
        code=CODE,
        subject=plan.name,
        severity=Severity.ADVICE,
        title=f"Dose {plan.name}: {how_much}",
        action=(
            f"Give {how_much}{why}, once, spread over the surface where the current carries it, "
            f"and log it. The water was changed {day_clock(case.tank, change.time, case.now)}, and "
            f"{plan.name} has not been dosed since."
        ),
        evidence=(
            Evidence(
                "water change without this dose after it",
                "water-change",
                time=change.time,
                source=f"the tank's plan; fertiliser follows the change: {COMMON_PRACTICE}",
            ),
        ),
        amounts=() if amount is None else (amount,),
        due=due,
        hazards=(Hazard.CHEMICALS,),
        confidence=0.9,
        closed_by=("dose",),
        moves=(MORE_DOSE,),
        log=_entry(plan, amount),
        since=change.time,
    )


def _entry(plan: DosePlan, amount: Amount | None) -> LogDraft:
    """The entry of the dose; how much is asked for where the volume of the tank is not known."""
    solution = plan.g_per_100_l is None
    name, key = ("volume", "ml") if solution else ("mass", "g")
    if amount is None:
        return LogDraft(LogKind.DOSE.value, {"name": plan.name}, {name: key})
    return LogDraft(LogKind.DOSE.value, {"name": plan.name, key: amount.value})


RULE = Rule(
    CODE,
    "a planned dose has not followed the last large water change",
    judge,
    may_move=(MORE_DOSE,),
)
