"""Rule `shared-range`: hardly any temperature suits all animals of the tank.

Judges the stock alone. A choice that is offered once: after "done" or "dismissed" it does not come
back for the same two species. Clears when the stock or its own limits change.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import capitalised
from service.derive.inhabitants.tolerance import Tolerance
from service.registry.species.ranges import SharedRange, comfortable_range, tolerable_range

CODE = "shared-range"
FOR_GOOD = timedelta(days=36_500)


def judge(case: Case) -> Iterator[Finding]:
    """One choice for a community whose common range leaves 1 K or less."""
    tolerance = case.view.tolerance
    if not tolerance.too_narrow:
        return
    tolerable = tolerable_range(case.tank.animals)
    strict = tolerable.too_narrow
    shared = tolerable if strict else comfortable_range(case.tank.animals)
    yield Finding(
        code=CODE,
        subject=f"{shared.low_species} and {shared.high_species}",
        severity=Severity.INFO,
        title=f"{shared.low_species} and {shared.high_species} need different temperatures",
        action=_action(tolerance, shared, strict),
        evidence=(
            Evidence(f"lower limit of {shared.low_species}", "temperature", shared.low_c, "Cel"),
            Evidence(f"upper limit of {shared.high_species}", "temperature", shared.high_c, "Cel"),
        ),
        hazards=(Hazard.ANIMALS,),
        who=Who.KEEPER,
        confidence=0.9,
    )


def _action(tolerance: Tolerance, shared: SharedRange, strict: bool) -> str:
    outer = tolerance.tolerable
    judged = (
        f"For now only temperatures that suit none of them are reported: below {outer.low_c:g} "
        f"and above {outer.high_c:g} °C."
        if strict
        else f"For now the water is judged by what all of them tolerate, {outer.low_c:g} to "
        f"{outer.high_c:g} °C."
    )
    field = "tolerated temperature" if strict else "comfortable temperature"
    return (
        "Choose once. Keep the two apart, or enter the range to live with, as the "
        f"{field} of {shared.low_species} or {shared.high_species} in the tank's settings. Or mark "
        f"this as done to leave it so. {capitalised(tolerance.too_narrow)}. {judged}"
    )


RULE = Rule(
    CODE,
    "a community whose common temperature range leaves 1 K or less",
    judge,
    timedelta(hours=1),
    settling=FOR_GOOD,
)
