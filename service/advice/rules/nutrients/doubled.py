"""Rule `dose-doubled`: more of a dose was logged than planned.

Judges the log since the last large water change. Clears with the next large water change.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import last_full_change, planned_amount, planned_doses
from service.advice.engine.levers import CHANGE_WATER, LESS_DOSE
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import dose, litres, percent
from service.registry.models.plans import DosePlan

CODE = "dose-doubled"
LARGEST_CHANGE = 0.7


def judge(case: Case) -> Iterator[Finding]:
    """One finding per planned dose of which too much was logged."""
    change = last_full_change(case)
    start = case.now - timedelta(days=case.tank.water_change.every_days)
    if change is not None:
        start = max(start, change.time)
    for plan in case.tank.doses:
        amount = planned_amount(case, plan)
        if amount is None:
            continue
        unit = "ml" if amount.unit == "mL" else "g"
        given = [one for one in planned_doses(case, plan) if one.time >= start and unit in one.data]
        total = sum(float(one.data[unit]) for one in given)
        if given and total > case.limit("dose_double_factor") * amount.value:
            yield _finding(case, plan, amount, total)


def _finding(case: Case, plan: DosePlan, amount: Amount, total: float) -> Finding:
    extra = Amount(amount.name, total - amount.value, amount.unit)
    # A change takes out its share of all of it: down to the planned dose by 1 - plan / given.
    fraction = min(1 - amount.value / total, LARGEST_CHANGE)
    volume_l = case.view.net_volume_l or 0.0
    return Finding(
        code=CODE,
        subject=plan.name,
        severity=Severity.WARNING if total > 3 * amount.value else Severity.ADVICE,
        title=f"Too much {plan.name}: {dose(Amount('', total, amount.unit))}",
        action=(
            f"Don't dose {plan.name} again before the next water change. If animals seem unwell, "
            f"change {litres(fraction * volume_l)} ({percent(fraction)}) of the water: that takes "
            f"the surplus out. {dose(Amount('', total, amount.unit))} were logged since the last "
            f"large change; the plan is {dose(amount)}. If that is a slip in the log, delete the "
            "entry."
        ),
        evidence=(
            Evidence(
                f"{plan.name} logged since the last large change", "dose", total, amount.unit,
                amount.value, case.now, f"the tank's plan; {COMMON_PRACTICE}",
            ),
        ),
        amounts=(
            Amount("too much", extra.value, extra.unit),
            Amount("water that takes it out", fraction * volume_l, "L"),
        ),
        hazards=(Hazard.ANIMALS, Hazard.CHEMICALS, Hazard.HOT_WATER),
        confidence=0.8,
        closed_by=("water-change",),
        moves=(LESS_DOSE, CHANGE_WATER),
        since=case.now,
    )  # fmt: skip


RULE = Rule(
    CODE,
    "more of a dose was logged than planned",
    judge,
    settling=timedelta(days=14),
    may_move=(LESS_DOSE, CHANGE_WATER),
)
