"""Rules `animals-gasping` and `animals-lost`: what people saw of the animals.

The first judges the newest observation of breathing at the surface while it is fresh, and clears
when somebody has looked again and saw less, or hours later. The second judges losses, and clears
when a water change was logged, or the observation is old.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import changed_since, entries
from service.advice.closing import close_co2
from service.advice.distress import relief
from service.advice.engine.levers import CHANGE_WATER, LESS_FEED, LESS_GAS, MORE_GAS
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import capitalised, day_clock
from service.advice.rules.observed.seen import evidence_of, fresh
from service.advice.rules.water.new_water import new_water
from service.derive.observations import Observation
from service.registry.models.log import LogKind

GASPING = "animals-gasping"
LOST = "animals-lost"
TESTS = (LogKind.NUTRIENT_TEST, LogKind.KH_TEST)


def judge_gasping(case: Case) -> Iterator[Finding]:
    """One finding while animals breathe at the surface: the emergency that it is."""
    seen = fresh(case, "surface-breathing", timedelta(hours=case.limit("gasping_h")))
    if seen is None or not case.tank.animals or seen.level < _gasping_level(case):
        return
    urgent = seen.level >= case.limit("gasping_urgent_level")
    aid = relief(case)
    close = f"{capitalised(close_co2(case.tank, now=True))}. " if case.tank.co2_injected else ""
    yield Finding(
        code=GASPING,
        severity=Severity.URGENT if urgent else Severity.WARNING,
        title="Animals breathe at the surface: help them now"
        if urgent
        else "Some animals breathe at the surface",
        action=(
            f"{close}{aid.air} Don't feed today. Is it no better within half an hour, or do "
            f"animals lie on their sides? Then {aid.water}. Look again and log what you see. It "
            f"was seen {day_clock(case.tank, seen.time, case.now)}. There is too little oxygen, "
            "too much CO2 or something harmful in the water, whatever the sensors show."
        ),
        evidence=(evidence_of(seen, _gasping_level(case), COMMON_PRACTICE),),
        amounts=aid.amounts,
        due=case.now if urgent else None,
        hazards=aid.hazards,
        confidence=0.7,
        since=seen.time,
        moves=(LESS_FEED, *((LESS_GAS,) if case.tank.co2_injected else ())),
        refuses=(MORE_GAS,),
    )


def _gasping_level(case: Case) -> float:
    """From which level on it counts: fishes that take air come up in good water too."""
    usual = case.limit("gasping_level")
    return usual + 1 if case.view.tolerance.air_breathers else usual


def judge_lost(case: Case) -> Iterator[Finding]:
    """One finding while losses are fresh: take out, test, and change water where it goes on."""
    seen = fresh(case, "losses")
    if seen is None or seen.level < 1:
        return
    enough = case.limit("change_counts_fraction") * case.tank.water_change.fraction
    if changed_since(case, seen.time, enough):
        return
    if seen.level >= case.limit("losses_level"):
        yield _several(case, seen)
    elif not any(one.time > seen.time for one in entries(case, *TESTS)):
        yield _one(case, seen)


_LOOK = (
    "Look whether the others breathe calmly, and whether the filter runs. Test KH and nitrate, and "
    "ammonia and nitrite if you have a kit, before you change water. Log what you find."
)


def _one(case: Case, seen: Observation) -> Finding:
    return Finding(
        code=LOST,
        severity=Severity.ADVICE,
        title="An animal was lost: test the water",
        action=(
            f"Take it out with a net and wash your hands. {_LOOK} A single loss may be age; "
            "a second one within the week is no chance."
        ),
        evidence=(evidence_of(seen, 1.0, COMMON_PRACTICE),),
        hazards=(Hazard.ANIMALS, Hazard.CHEMICALS, Hazard.MAINS),
        confidence=0.5,
        closed_by=(*TESTS, LogKind.WATER_CHANGE),
        since=seen.time,
    )


def _several(case: Case, seen: Observation) -> Finding:
    water = new_water(case, case.tank.water_change.fraction)
    return Finding(
        code=LOST,
        severity=Severity.WARNING,
        title=f"Animals are lost: test, then change {water.amount_text}",
        action=(
            f"Take dead animals out with a net and wash your hands. {_LOOK} Then change "
            f"{water.each_text}{water.again_text}. {water.how}Feed nothing for a day. Give no "
            f"medication on suspicion: it may harm the others. {water.effect}"
        ).rstrip(),
        evidence=(evidence_of(seen, case.limit("losses_level"), COMMON_PRACTICE),),
        amounts=water.amounts,
        due=case.now,
        hazards=(Hazard.ANIMALS, Hazard.CHEMICALS, *water.hazards),
        confidence=0.6,
        closed_by=("water-change",),
        since=seen.time,
        log=water.log,
        moves=(CHANGE_WATER, LESS_FEED),
        who=Who.ANYONE,
    )


GASPING_RULE = Rule(
    GASPING,
    "animals were seen to breathe at the surface, a few hours ago at most",
    judge_gasping,
    settling=timedelta(hours=2),
    may_move=(LESS_FEED, LESS_GAS),
)
LOST_RULE = Rule(
    LOST,
    "animals were found dead or missing",
    judge_lost,
    settling=timedelta(days=3),
    may_move=(CHANGE_WATER, LESS_FEED),
)
