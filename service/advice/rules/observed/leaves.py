"""Rules `leaves-hungry` and `leaves-melting`: what leaves look like.

The first judges fresh observations of pale new leaves and of holes against the estimated nutrients.
It clears when the leaves look well, the nutrients suffice for some days, or they were tested. The
second judges melting leaves in the weeks after a set-up or replant, and clears with them.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice.care_log import entries, newest, planned_amount, set_up_at
from service.advice.engine.levers import MORE_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import listed, local_date
from service.advice.rules.nutrients.need import LEAST
from service.advice.rules.observed.seen import evidence_of, fresh
from service.derive.nutrients.dose_content import content_known, rises_mg_l
from service.derive.nutrients.estimate import NutrientLevel, nutrients_of
from service.derive.observations import Observation
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan
from service.schemas.entry import label_of

HUNGRY = "leaves-hungry"
MELTING = "leaves-melting"
SHOWN_BY = {"pale-leaves": ("Fe",), "holes": ("K", "NO3", "PO4")}
"""Which nutrients a sign may be of: iron hardly moves within a plant, so that new leaves lack it
first; the others are drawn out of the oldest leaves."""

BETWEEN_DOSES = timedelta(days=3)
"""A dose lifts the estimate for so long without mending anything. Our choice."""

EASED = 1.25
"""Share of a limit above which a nutrient is no longer short. Our choice."""

MARSCHNER = "Marschner's Mineral Nutrition of Higher Plants (from memory)"


def judge_hungry(case: Case) -> Iterator[Finding]:
    """One finding for each sign with a nutrient that is short by the estimate."""
    for code in SHOWN_BY:
        seen = fresh(case, code)
        if seen is not None and seen.level >= case.limit("leaves_level"):
            short = _short(case, code)
            if short and not any(one.time > seen.time for one in _tests(case)):
                yield _hungry(case, seen, short)


def _short(case: Case, code: str) -> list[NutrientLevel]:
    """The nutrients that a sign may be of and that are short; none where nothing is known."""
    if not any(_tests(case)) and not any(content_known(plan) for plan in case.tank.doses):
        return []
    levels = nutrients_of(case.tank, case.view.log, case.now)
    return [
        one
        for ion in SHOWN_BY[code]
        if (one := levels.of(ion)).level.value
        < case.eased(case.limit(LEAST[ion]), EASED, HUNGRY, code)
    ]


def _tests(case: Case) -> Iterator[LogEntry]:
    return entries(case, LogKind.NUTRIENT_TEST)


def _hungry(case: Case, seen: Observation, short: list[NutrientLevel]) -> Finding:
    names = listed([_name(one.ion) for one in short])
    doses = [
        plan.name for plan in case.tank.doses if content_known(plan) and _brings(case, plan, short)
    ]
    dose = (
        f"If the test shows it too, give {listed(doses)} as planned and no more than once."
        if doses
        else "If the test shows it too, choose a fertiliser that has it."
    )
    title = seen.kind.title
    return Finding(
        code=HUNGRY,
        subject=seen.kind.code,
        severity=Severity.ADVICE,
        title=f"{title}: test the water for {names}",
        action=(
            f"Test the water for {names} and log the result. {dose} {title} were seen, and by "
            f"the doses and changes in the log {names} may be short. Old leaves stay as they are: "
            "look at the new ones in two weeks."
        ),
        evidence=(
            evidence_of(seen, case.limit("leaves_level"), MARSCHNER),
            *(
                Evidence(
                    f"{one.ion} by the log, 95 %: {one.level.low:.2g} to {one.level.high:.2g}",
                    one.ion.lower(), one.level.value, "mg/L", case.limit(LEAST[one.ion]),
                    case.now, COMMON_PRACTICE,
                )
                for one in short
            ),
        ),
        hazards=(Hazard.CHEMICALS,),
        who=Who.KEEPER,
        confidence=0.4,
        closed_by=("nutrient-test",),
        since=seen.time,
    )  # fmt: skip


def _brings(case: Case, plan: DosePlan, short: list[NutrientLevel]) -> bool:
    """Whether a planned dose has one of some nutrients in it."""
    amount, litres = planned_amount(case, plan), case.view.net_volume_l
    if amount is None or litres is None or not content_known(plan):
        return False
    rises = rises_mg_l(plan, amount.value, litres)
    return any(rises.get(one.ion, 0.0) > 0 for one in short)


def _name(ion: str) -> str:
    """A nutrient as a test kit calls it: ``nitrate``."""
    return label_of(ion, KINDS[LogKind.NUTRIENT_TEST].fields[ion.lower()]).lower()


def judge_melting(case: Case) -> Iterator[Finding]:
    """One finding while leaves melt in the weeks in which moved plants do that."""
    seen, began = fresh(case, "melting"), _moved(case)
    if seen is None or began is None or seen.level < case.limit("leaves_level"):
        return
    what, at = began
    until = at + timedelta(weeks=case.limit("melting_weeks"))
    if not at <= seen.time or case.now > until:
        return
    yield Finding(
        code=MELTING,
        severity=Severity.INFO,
        title="Leaves melt after planting: wait",
        action=(
            f"Take out soft leaves and leave the rest in peace until {_date(case, until)}. {what} "
            f"on {_date(case, at)}. Moved plants often shed their leaves and grow new ones. Firm "
            "roots and new tips are a good sign. Don't give more light or fertiliser for it, and "
            "don't move the plants again."
        ),
        evidence=(evidence_of(seen, case.limit("leaves_level"), COMMON_PRACTICE),),
        hazards=(Hazard.MAINS,),
        confidence=0.5,
        since=seen.time,
        refuses=MORE_LIGHT,
    )


def _moved(case: Case) -> tuple[str, datetime] | None:
    """What moved the plants last, and when: a replant, or the set-up of the tank."""
    replant, set_up = newest(case, LogKind.REPLANT), set_up_at(case)
    found = [("The tank was set up", set_up)] if set_up is not None else []
    if replant is not None:
        found.append(("Plants were put in or moved", replant.time))
    return max(found, key=lambda one: one[1], default=None)


def _date(case: Case, moment: datetime) -> str:
    return local_date(case.tank, moment, case.now)


HUNGRY_RULE = Rule(
    HUNGRY,
    "pale or holed leaves, and nutrients that are short by the estimate",
    judge_hungry,
    BETWEEN_DOSES,
    settling=timedelta(days=14),
)
MELTING_RULE = Rule(
    MELTING, "leaves melt in the weeks after planting", judge_melting, settling=timedelta(days=14)
)
