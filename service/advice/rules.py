"""All rules in the order of a visit, and the judging of a tank by them."""

from __future__ import annotations

from typing import Final

from service.advice.co2 import high as co2_high
from service.advice.co2 import low as co2_low
from service.advice.heat import out_of_range
from service.advice.light import dead as light_dead
from service.advice.light import long as light_long
from service.advice.nutrients import due as dose_due
from service.advice.recommendation import Finding
from service.advice.reconcile import reconciled
from service.advice.rule import NOTHING_STANDS, Case, Rule, Standing
from service.advice.water import after_work, routine
from service.derive.view import TankView

RULES: Final[tuple[Rule, ...]] = (
    co2_high.RULE,
    co2_low.RULE,
    out_of_range.RULE,
    light_dead.RULE,
    light_long.RULE,
    after_work.RULE,
    routine.RULE,
    dose_due.RULE,
)

RULE_OF: Final[dict[str, Rule]] = {rule.code: rule for rule in RULES}


def evaluate(view: TankView, standing: Standing = NOTHING_STANDS) -> list[Finding]:
    """What there is to say of a tank, most severe first; never two that contradict each other.

    Args:
        view: what is known of it.
        standing: (code, subject) of what stands open, for rules that let go late.
    """
    case = Case(view, standing)
    findings = [finding for rule in RULES for finding in rule.judge(case)]
    return sorted(reconciled(findings), key=lambda one: -one.severity)
