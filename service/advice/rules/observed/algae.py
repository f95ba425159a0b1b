"""Rule `algae-light`: algae rise, and the light is long.

Judges fresh observations of algae against the weeks before, and the hours of light. Clears when
fewer are seen, when the observation is old, or when the light was shortened after it.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from service.advice.adjusting import adjustment
from service.advice.engine.levers import LONGER_LIGHT, SHORTER_LIGHT, STRONGER_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import capitalised, listed, span
from service.advice.rules.co2 import unsteady
from service.advice.rules.light import dose, long, settling
from service.advice.rules.light.full_days import full_days, light_sensor
from service.advice.rules.observed.seen import ALGAE, Rise, rising
from service.advice.tank_states import adjusted
from service.registry.models.log import Lever

CODE = "algae-light"
STEP_H = 1.0
"""By so much the light is shortened at a time. Common practice, no source."""

WORTH_H = 0.5
"""Light that is longer by less is not worth a measure. Our choice."""

QUARTER_H = 0.25
"""Timers are set in quarters of an hour."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding while algae rise under long light that no other rule shortens."""
    rises = rises_of(case)
    if not rises or any(any(rule.judge(case)) for rule in (long, dose, settling)):
        return
    lit_h, source = hours(case)
    most_h = max(case.limit("algae_light_h"), case.limit("photoperiod_shortest_h"))
    if lit_h <= most_h + case.eased(WORTH_H, 0.5, CODE):
        return
    shorter_h = min(STEP_H, max(quarters(lit_h - most_h), QUARTER_H))
    what = listed([one.words for one in rises])
    since = max(one.newest.time for one in rises)
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"Algae rise: shorten the light by {span(60 * shorter_h)}",
        action=(
            f"Set the timer to {quarters(lit_h) - shorter_h:g} h and leave it so for three weeks. "
            f"{capitalised(what)}, and the lamp is on for {quarters(lit_h):g} h a day. Wipe off "
            "and take out what you can reach. Change nothing else meanwhile, so that you see what "
            "helped."
        ),
        evidence=(
            Evidence("hours of light", "photoperiod", lit_h, "h", most_h, case.now, source),
            *(one.evidence(COMMON_PRACTICE) for one in rises),
        ),
        amounts=(Amount("shorter by", 60 * shorter_h, "min"),),
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        confidence=0.5,
        since=since,
        log=adjustment(Lever.LIGHT_HOURS, f"{span(60 * shorter_h)} shorter"),
        moves=(SHORTER_LIGHT,),
        refuses=(LONGER_LIGHT, STRONGER_LIGHT),
    )


def quarters(length_h: float) -> float:
    """A length of time in quarters of an hour."""
    return round(length_h / QUARTER_H) * QUARTER_H


def rises_of(case: Case) -> list[Rise]:
    """The algae that rise since the light was last changed; tufts only where CO2 is steady."""
    changed = adjusted(case, Lever.LIGHT_HOURS, Lever.LIGHT_STRENGTH)
    found = [one for code in ALGAE if (one := rising(case, code)) is not None]
    return [
        one
        for one in found
        if _later(one.newest.time, changed)
        and not (one.newest.kind.code == unsteady.TUFTS and any(unsteady.judge(case)))
    ]


def hours(case: Case) -> tuple[float, str]:
    """Hours of light of the last full day, or as planned; and where they are from."""
    days = [one for one in full_days(case) if one.lit]
    if days:
        return days[-1].photoperiod_low_h, f"{light_sensor(case)}; {COMMON_PRACTICE}".lstrip("; ")
    return case.tank.light.photoperiod_h, f"plan; {COMMON_PRACTICE}"


def _later(seen: datetime, changed: datetime | None) -> bool:
    return changed is None or seen > changed


RULE = Rule(CODE, "algae rise under long light", judge, may_move=(SHORTER_LIGHT,))
