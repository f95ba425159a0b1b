"""Rule `hydra`: small polyps that sting, in a tank without fish for weeks.

Judges fresh observations of them. Clears when none is seen, the observation is old, or fish came
in.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import entries, set_up_at
from service.advice.engine.levers import LESS_FEED
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.rules.observed.seen import evidence_of, fresh
from service.registry.models.log import LogKind
from service.registry.species.names import species

CODE = "hydra"
SOURCE = (
    "that they multiply while they are fed: Loomis & Lenhoff 1956 (from memory); that fish eat "
    "them: " + COMMON_PRACTICE
)


def judge(case: Case) -> Iterator[Finding]:
    """One finding while they are there and no fish was for weeks."""
    seen = fresh(case, "hydra")
    if seen is None or seen.level < case.limit("hydra_level") or not without_fish(case):
        return
    small = [one for one in case.tank.animals if one.count and is_fish(one.species) is False]
    young = " They catch young shrimps, but do grown ones little harm." if small else ""
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title="Hydra: feed less, and give no medication",
        action=(
            "Feed half as much, and only what is eaten within minutes. Siphon leftovers off the "
            "substrate at the next water change, and wipe the polyps off the glass. They live on "
            f"small animals that leftovers feed.{young} Don't crush or cut them on wood: the parts "
            "grow again."
        ),
        keeper_action=(
            "Small fish that suit this tank eat them within weeks. That is gentler than any "
            "medication."
        ),
        evidence=(evidence_of(seen, case.limit("hydra_level"), SOURCE),),
        hazards=(Hazard.MEDICATION, Hazard.MAINS),
        confidence=0.6,
        since=seen.time,
        moves=(LESS_FEED,),
    )


def without_fish(case: Case) -> bool:
    """Whether no fish has lived in the tank for the weeks in which small animals multiply."""
    if any(one.count and is_fish(one.species) is not False for one in case.tank.animals):
        return False
    since = case.now - timedelta(weeks=case.limit("without_fish_weeks"))
    set_up = set_up_at(case)
    if set_up is not None and set_up > since:
        return False
    return not any(
        one.time > since and is_fish(str(one.data.get("species", ""))) is not False
        for one in entries(case, LogKind.STOCKING)
    )


def is_fish(name: str) -> bool | None:
    """Whether a species is a fish; None where the table does not know it."""
    known = species(name)
    return None if known is None else known.group == "fish"


RULE = Rule(
    CODE,
    "Hydra in a tank without fish for weeks",
    judge,
    settling=timedelta(days=14),
    may_move=(LESS_FEED,),
)
