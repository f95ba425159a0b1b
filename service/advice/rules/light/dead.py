"""Rule `light-dead`: the lamp should be on by its plan, but it is dark.

Judges the light sensor against the planned hours. Clears when it is lit again.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice.closing import close_co2
from service.advice.engine.levers import STRONGER_LIGHT
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import day_clock, span
from service.advice.rules.light.full_days import light_before, light_sensor
from service.advice.rules.light.plan import planned_days

CODE = "light-dead"


def judge(case: Case) -> Iterator[Finding]:
    """One finding from when it is dark in wanted light until it is lit again, nights included."""
    since = dark_since(case)
    if since is None:
        return
    plan, light = case.tank.light, case.view.light
    missed_min = _missed_min(case, since)
    in_hours = any(on <= case.now < off for on, off in planned_days(case))
    reading = light.reading if light is not None else None
    yield Finding(
        code=CODE,
        severity=Severity.WARNING,
        title=("The lamp is dark although it should be on" if in_hours else "The lamp stayed dark"),
        action=(
            "Look first whether the sensor is covered or has slipped. Then check plug, switch and "
            "lamp. "
            + (
                f"While it stays dark, {close_co2(case.tank)}. Plants take up no CO2 in the dark. "
                if case.tank.co2_injected
                else ""
            )
            + "A day or two without light do little harm. Don't make up for them with longer "
            f"days. By its plan the lamp is on from {plan.start:%H:%M} for "
            f"{plan.photoperiod_h:g} h. The light sensor has been dark for {span(missed_min)} "
            "of it."
        ),
        keeper_action="Check the timer.",
        evidence=(
            Evidence(
                f"dark since {day_clock(case.tank, since, case.now)}",
                "light",
                None if reading is None else reading.value,
                "" if reading is None else {"ppfd": "umol/m2/s"}.get(reading.quantity, "lx"),
                time=case.now,
                source=light_sensor(case),
            ),
        ),
        amounts=(Amount("dark while it should be on", missed_min, "min"),),
        due=case.now + timedelta(days=1),
        hazards=(*((Hazard.CO2,) if case.tank.co2_injected else ()), Hazard.MAINS),
        confidence=0.8,
        since=since,
        moves=(STRONGER_LIGHT,),
    )


def dark_since(case: Case) -> datetime | None:
    """Since when wanted light has been missing without a break; None where it is not."""
    light = case.view.light
    if light is None or light.lit is not False:
        return None
    grace = timedelta(minutes=case.eased(case.limit("light_grace_min"), 0.7, CODE))
    begun = [one for one in planned_days(case) if one[0] + grace <= case.now]
    if not begun:
        return None
    on, off = begun[-1]
    changed = light.unchanged_since
    if changed is not None and changed >= off - grace:
        return None  # it went off when it should, or was lit after its hours
    since = on if changed is None else max(on, changed)
    if min(case.now, off) - since < grace or _as_usual(case, on, off, since, grace):
        return None
    if changed is None:
        return since
    return next(max(start, changed) for start, end in begun if end > changed + grace)


def _as_usual(case: Case, on: datetime, off: datetime, since: datetime, grace: timedelta) -> bool:
    """Whether the lamp has the hours of the day before: set otherwise, not dead.

    ``light-short`` and ``light-shifted`` report that.
    """
    usual = light_before(case, on)
    if usual is None or usual.on_at is None or usual.off_at is None:
        return False
    first, last = usual.on_at + timedelta(days=1), usual.off_at + timedelta(days=1)
    if since > on + grace:  # lit earlier in these hours
        return last < off - grace and abs(since - last) <= grace
    return first > on + grace and case.now < first + grace


def _missed_min(case: Case, since: datetime) -> float:
    """Minutes of wanted light that have passed in the dark."""
    spans = planned_days(case)
    missed = sum(
        max((min(off, case.now) - max(on, since)).total_seconds(), 0.0) for on, off in spans
    )
    return missed / 60


RULE = Rule(CODE, "dark while the lamp should be on", judge, may_move=(STRONGER_LIGHT,))
