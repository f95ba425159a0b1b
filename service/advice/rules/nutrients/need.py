"""Whether a planned dose is needed, by the estimated nutrients; and rule `dose-not-needed`.

Judges a planned dose whose content is known, in the days after a water change. A dose is not needed
where all that it brings will last to the next change without it, and is too much where it would
surely lift one of them above its ceiling. Clears with the window of the dose, or when it is logged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from service.advice.care_log import days_since, dosed_since, last_full_change
from service.advice.care_log import planned_amount as amount_of
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import listed
from service.derive.models.quality import EstimatedValue
from service.derive.nutrients.dose_content import content_known, rises_mg_l
from service.derive.nutrients.estimate import nutrients_of
from service.registry.models.plans import DosePlan
from service.science.nutrients.limits import CEILINGS
from service.science.nutrients.ranges import RANGES

CODE = "dose-not-needed"
EASED: Final = 0.85
"""Share of a limit at which a dose that is left out is asked for again. Our choice."""
LEAST: Final = {ion: f"{ion.lower()}_low_mg_l" for ion in RANGES}
"""By ion, the threshold below which plants go short of it."""


@dataclass(frozen=True, slots=True)
class Need:
    """What the estimate says of one ion of a dose.

    Attributes:
        now: mg/L.
        rise_mg_l: what the dose adds.
        left: mg/L before the next change, without the dose.
        least_mg_l, ceiling_mg_l: between which it should stay.
    """

    ion: str
    now: EstimatedValue
    rise_mg_l: float
    left: EstimatedValue
    least_mg_l: float
    ceiling_mg_l: float

    @property
    def enough(self) -> bool:
        """It surely lasts to the next change."""
        return self.left.low >= self.least_mg_l

    @property
    def too_much(self) -> bool:
        """The dose surely lifts it above its ceiling."""
        return self.now.low + self.rise_mg_l > self.ceiling_mg_l


def needs_of(case: Case, plan: DosePlan) -> tuple[Need, ...]:
    """What the estimate says of each ion that a planned dose brings; none where nobody knows."""
    amount, litres = amount_of(case, plan), case.view.net_volume_l
    if amount is None or litres is None or not content_known(plan):
        return ()
    rises = rises_mg_l(plan, amount.value, litres)
    ahead = timedelta(days=case.tank.water_change.every_days)
    change = last_full_change(case)
    if change is not None:
        ahead = max(change.time + ahead - case.now, timedelta())
    found = nutrients_of(case.tank, case.view.log, case.now, ahead_days=ahead / timedelta(days=1))
    # Once it is left out a little more must be missing: no change of mind from hour to hour.
    eased = EASED if case.active(CODE, plan.name) else 1.0
    needs = []
    for ion in RANGES:
        if rises.get(ion, 0.0) <= 0:
            continue
        one = found.of(ion)
        left = EstimatedValue(float(one.value[-1]), float(one.low[-1]), float(one.high[-1]))
        least, ceiling = eased * case.limit(LEAST[ion]), eased * CEILINGS[ion].mg_l
        needs.append(Need(ion, one.level, rises[ion], left, least, ceiling))
    return tuple(needs)


def left_out(needs: tuple[Need, ...]) -> bool:
    """Whether a dose is to be left out."""
    return bool(needs) and (any(one.too_much for one in needs) or all(one.enough for one in needs))


def judge(case: Case) -> Iterator[Finding]:
    """One finding per planned dose that its own estimate says is not needed."""
    change = last_full_change(case)
    if change is None or days_since(case, change.time) > case.limit("dose_window_days"):
        return
    for plan in case.tank.doses:
        if dosed_since(case, plan, change) is None and left_out(needs := needs_of(case, plan)):
            yield _finding(case, plan, needs)


def _finding(case: Case, plan: DosePlan, needs: tuple[Need, ...]) -> Finding:
    over = [one for one in needs if one.too_much]
    decisive = over or list(needs)
    if over:
        why = listed(
            [
                f"{one.ion} is {one.now.low:.2g} mg/L at least and would rise by "
                f"{one.rise_mg_l:.2g}, above {one.ceiling_mg_l:.2g}"
                for one in over
            ]
        )
    else:
        why = listed([f"{one.ion} will still be {one.left.low:.2g} mg/L at least" for one in needs])
        why += " before the next water change"
    return Finding(
        code=CODE,
        subject=plan.name,
        severity=Severity.ADVICE if over else Severity.INFO,
        title=f"Leave out {plan.name} this time",
        action=(
            f"By its doses, changes and tests {why}. Leave the dose out and test before the next "
            "one; if plants look pale, dose as planned and log a test."
        ),
        evidence=tuple(
            Evidence(
                f"{one.ion} now, 95 %: {one.now.low:.2g} to {one.now.high:.2g}", one.ion.lower(),
                one.now.value, "mg/L", one.ceiling_mg_l if over else one.least_mg_l, case.now,
                CEILINGS[one.ion].source if over else COMMON_PRACTICE,
            )
            for one in decisive
        ),
        hazards=(Hazard.CHEMICALS,),
        confidence=0.7,
        closed_by=("dose",),
        since=case.now,
    )  # fmt: skip


RULE = Rule(
    CODE,
    "a planned dose that its own estimate says is not needed",
    judge,
    settling=timedelta(days=7),
)
