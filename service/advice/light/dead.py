"""The lamp should be on by its plan, but it is dark."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice import cautions
from service.advice.light.plan import planned_days
from service.advice.phrases import clock, day_clock, span
from service.advice.recommendation import Amount, Evidence, Finding, Severity
from service.advice.rule import Case, Rule
from service.derive.view import LightDay

CODE = "light-dead"
LEAST_COVER = 0.8
"""Share of a day that readings must cover before its darkness counts. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """Speak when it is dark within the planned hours, or was on all of the last full day."""
    light = case.view.light
    grace = timedelta(minutes=case.limit("light_grace_min"))
    if light is not None and light.lit is False:
        for on, off in planned_days(case):
            if on + grace <= case.now < off:
                dark_from = max(on, light.unchanged_since or on)
                if case.now - dark_from >= grace:
                    yield _finding(case, dark_from, off, now_dark=True)
                    return
    yesterday = _last_full_day(case)
    if yesterday is not None and not yesterday.lit and case.tank.photoperiod.hours > 0:
        if light is not None and light.lit:
            return
        start, end = planned_days(case)[0]
        yield _finding(case, start, end, now_dark=False)


def _last_full_day(case: Case) -> LightDay | None:
    full = [one for one in case.view.light_days if one.complete]
    return full[-1] if full and full[-1].covered_share >= LEAST_COVER else None


def _finding(case: Case, since: datetime, until: datetime, *, now_dark: bool) -> Finding:
    tank, light = case.tank, case.view.light
    dark_min = ((case.now if now_dark else until) - since).total_seconds() / 60
    plan = tank.photoperiod
    reading = light.reading if light is not None else None
    return Finding(
        code=CODE,
        severity=Severity.WARNING,
        title="The lamp is dark although it should be on" if now_dark else "The lamp stayed dark",
        action=(
            f"By its plan the lamp is on from {plan.lights_on:%H:%M} for {plan.hours:g} h, but the "
            f"light sensor has been dark {'for ' + span(dark_min) if now_dark else 'all day'}. "
            "Look first whether the sensor is covered or has slipped; then check timer, plug and "
            "lamp. Keep the gas closed while it stays dark: plants take up no CO2 in the dark. "
            "A day or two without light harms plants little; don't make up for it with longer days."
        ),
        evidence=(
            Evidence(
                f"dark since {day_clock(tank, since, case.now)}"
                if now_dark
                else f"dark from {clock(tank, since)} to {clock(tank, until)}",
                "light",
                None if reading is None else reading.value,
                "" if reading is None else {"ppfd": "umol/m2/s"}.get(reading.quantity, "lx"),
                time=case.now if now_dark else until,
                source="" if reading is None else f"sensor {reading.sensor}",
            ),
        ),
        amounts=(Amount("dark in planned light", dark_min, "min"),),
        due=until if now_dark else None,
        cautions=(cautions.MAINS,),
        confidence=0.8,
        since=since,
        moves=("light:raise",),
    )


RULE = Rule(CODE, "dark within the planned photoperiod", judge)
