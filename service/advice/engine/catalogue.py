"""All rules, and the evaluation of a tank by them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from service.advice.contact import contact_now
from service.advice.engine.bounds import within_bound
from service.advice.engine.conflicts import without_contradictions
from service.advice.engine.instruction import completed
from service.advice.engine.recommendation import Finding
from service.advice.engine.rule import NONE_ACTIVE, ActiveConditions, Case, Rule
from service.advice.rules.co2 import comfort as co2_comfort
from service.advice.rules.co2 import doubtful, gas_at_night, gas_early, gas_late, gas_out, unsteady
from service.advice.rules.co2 import high as co2_high
from service.advice.rules.co2 import low as co2_low
from service.advice.rules.heat import (
    comfort,
    coming,
    cooling,
    fast,
    out_of_range,
    oxygen,
    shared_range,
)
from service.advice.rules.light import against_co2, settling, shifted
from service.advice.rules.light import dead as light_dead
from service.advice.rules.light import dose as light_dose
from service.advice.rules.light import long as light_long
from service.advice.rules.light import short as light_short
from service.advice.rules.nutrients import doubled, need, skipped
from service.advice.rules.nutrients import due as dose_due
from service.advice.rules.observed import algae, animals, hydra, leaves
from service.advice.rules.sensors import clock, disagree, no_advice, odd, probe, silent
from service.advice.rules.upkeep import cylinder, routine_work, surface, trim
from service.advice.rules.water import after_work, routine
from service.derive.models.tank_view import TankView
from service.registry.models.absence import Absence

RULES: Final[tuple[Rule, ...]] = (
    co2_high.RULE,
    co2_comfort.RULE,
    oxygen.RULE,
    animals.GASPING_RULE,
    out_of_range.RULE,
    coming.RULE,
    fast.RULE,
    cooling.RULE,
    comfort.RULE,
    shared_range.RULE,
    gas_out.RULE,
    co2_low.RULE,
    gas_late.RULE,
    gas_early.RULE,
    gas_at_night.RULE,
    unsteady.RULE,
    doubtful.RULE,
    light_dead.RULE,
    light_long.RULE,
    light_short.RULE,
    shifted.RULE,
    light_dose.RULE,
    against_co2.RULE,
    settling.RULE,
    after_work.RULE,
    routine.RULE,
    dose_due.RULE,
    need.RULE,
    skipped.RULE,
    doubled.RULE,
    routine_work.PREFILTER_RULE,
    routine_work.FILTER_RULE,
    routine_work.KH_TEST_RULE,
    routine_work.CALIBRATION_RULE,
    trim.RULE,
    surface.SURFACE_RULE,
    surface.COVERED_RULE,
    cylinder.RULE,
    animals.LOST_RULE,
    algae.RULE,
    leaves.HUNGRY_RULE,
    leaves.MELTING_RULE,
    hydra.RULE,
    silent.RULE,
    odd.STUCK_RULE,
    odd.IMPLAUSIBLE_RULE,
    disagree.RULE,
    clock.RULE,
    probe.RULE,
    no_advice.RULE,
)

RULE_OF: Final[dict[str, Rule]] = {rule.code: rule for rule in RULES}


def evaluate(
    view: TankView, active: ActiveConditions = NONE_ACTIVE, absences: Sequence[Absence] = ()
) -> list[Finding]:
    """Evaluate a tank by all rules.

    Args:
        view: what is known of the tank.
        active: conditions that are active already; rules clear them later than they raise them.
        absences: of the tank keeper; the present one says whom to call where it is urgent.

    Returns:
        Findings with their cautions, most severe first; never two that contradict each other.
    """
    case = Case(view, active)
    judged = (
        finding for rule in RULES for finding in within_bound(rule, rule.findings(case), active)
    )
    contact = contact_now(view.tank, absences, view.now)
    findings = [completed(finding, view.tank, contact) for finding in judged]
    return sorted(without_contradictions(findings), key=lambda one: -one.severity)
