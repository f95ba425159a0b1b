"""Rule `dose-due`: fertiliser is due after the water change.

Amounts are for the tank's net volume. Clears when the dose is logged, or its window is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import dosed_since, last_full_change, planned_amount
from service.advice.engine.levers import MORE_DOSE
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import day_clock, dose
from service.advice.rules.nutrients.need import left_out, needs_of
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan

CODE = "dose-due"


def judge(case: Case) -> Iterator[Finding]:
    """One finding per planned dose that has not followed the last large water change.

    None where the estimated nutrients say that it is not needed: see ``need``.
    """
    change = last_full_change(case)
    if change is None:
        return
    window = timedelta(days=case.limit("dose_window_days"))
    if case.now - change.time > window:
        return
    for plan in case.tank.doses:
        if dosed_since(case, plan, change) is None and not left_out(needs_of(case, plan)):
            yield _finding(case, plan, change)


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
                "last water change; the dose did not follow it",
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
        log=entry_of_dose(plan, amount),
        since=change.time,
    )


def entry_of_dose(plan: DosePlan, amount: Amount | None) -> LogDraft:
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
