"""Rule `light-long`: the lamp is on for longer than planned.

Judges the lamp now, today and the last full day. Clears an hour after the lamp went off and the
day's sum is within half the tolerance.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.levers import SHORTER_LIGHT
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import clock, span
from service.advice.rules.light.full_days import days_of_plan, light_before, light_sensor
from service.advice.rules.light.plan import planned_days, wanted_hours
from service.derive.models.light import LightDay
from service.registry.models.log import Lever

CODE = "light-long"


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the lamp is on past its plan, or a day had too much light."""
    if case.tank.light.photoperiod_h <= 0:
        return
    still_on = on_past_plan(case)
    if still_on is not None:
        over_min = (case.now - still_on).total_seconds() / 60
        yield _finding(case, over_min, still_on, now_on=True)
        return
    day = _too_long(case)
    if day is not None:
        over_min = 60 * (day.photoperiod_low_h - case.tank.light.photoperiod_h)
        off = day.off_at or day.lit[-1][1]
        yield _finding(case, over_min, off - timedelta(minutes=over_min), now_on=False)


def _too_long(case: Case) -> LightDay | None:
    """Today, or the last day that is over, if it had more light than planned."""
    tolerance = case.limit("photoperiod_tolerance_min")
    most_h = case.tank.light.photoperiod_h + case.eased(tolerance, 0.5, CODE) / 60
    days = days_of_plan(case)
    today = [one for one in days if not one.complete]
    over = [one for one in days if one.complete]
    for one in (*today[-1:], *over[-1:]):
        if one.photoperiod_low_h > most_h:
            return one
    return None


def on_past_plan(case: Case) -> datetime | None:
    """The planned off time that the lamp has outlasted, if it has."""
    light = case.view.light
    if light is None or not light.lit:
        return None
    grace = timedelta(minutes=case.limit("photoperiod_tolerance_min"))
    plan = case.tank.light
    # Beyond the plan's own hours; a shorter light for settling plants has a rule of its own.
    first_on, first_off = planned_days(case)[0]
    extra = timedelta(hours=plan.photoperiod_h) - (first_off - first_on)
    spans = [(on, off + extra) for on, off in planned_days(case)]
    ends = [off for _, off in spans if off <= case.now]
    starts = [on for on, _ in spans if on <= case.now]
    if not ends or (starts and starts[-1] > ends[-1]):
        return None  # within the planned hours
    lit_since = light.unchanged_since
    if lit_since is not None and lit_since > ends[-1] + grace:
        return None  # lit for a moment; the day's sum shows whether it lasts
    if case.now - ends[-1] <= grace or _as_usual(case, ends[-1]):
        return None
    return ends[-1]


def _as_usual(case: Case, planned_off: datetime) -> bool:
    """Whether the lamp has the hours of the day before, and those were no longer than planned.

    Its timer is set otherwise, or knows no summer time: ``light-shifted`` reports that.
    """
    day = light_before(case, planned_off - timedelta(hours=case.tank.light.photoperiod_h))
    if day is None or day.off_at is None:
        return False
    most_h = case.tank.light.photoperiod_h + case.limit("photoperiod_tolerance_min") / 60
    off = day.off_at + timedelta(days=1) + timedelta(minutes=case.limit("light_grace_min"))
    return day.photoperiod_low_h <= most_h and case.now <= off


def _finding(case: Case, over_min: float, since: datetime, *, now_on: bool) -> Finding:
    plan = case.tank.light
    been = (
        f"is still on, {span(over_min)} after it should have gone off at {clock(case.tank, since)}"
        if now_on
        else f"was on for {span(over_min)} more in a day"
    )
    wanted = wanted_hours(case)
    # While it is on, how long grows by the minute: no figure to set a timer by.
    todo = (
        "Switch the lamp off now, see why the timer did not"
        if now_on
        else f"Shorten the timer by {span(over_min)}"
        if wanted == plan.photoperiod_h
        else f"Set the timer to {wanted:g} h while plants settle"
    )
    very_long = over_min > case.limit("light_very_long_min")
    return Finding(
        code=CODE,
        severity=Severity.WARNING if very_long else Severity.ADVICE,
        title=f"The lamp {'is' if now_on else 'was'} on {span(over_min)} too long",
        action=(
            f"{todo}, and check whether daylight or room light reaches the sensor. The plan is "
            f"{plan.photoperiod_h:g} h from {plan.start:%H:%M}; the lamp {been}. Long light feeds "
            "algae rather than plants."
        ),
        evidence=(
            Evidence(
                "lit beyond the plan", "photoperiod-excess", over_min, "min",
                case.limit("photoperiod_tolerance_min"), case.now,
                f"{light_sensor(case)}; {COMMON_PRACTICE}".lstrip("; "),
            ),
        ),
        amounts=(Amount("light too long", over_min, "min"),),
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        since=since,
        confidence=0.8,
        log=None if now_on else adjustment(Lever.LIGHT_HOURS, f"{span(over_min)} shorter"),
        moves=(SHORTER_LIGHT,),
    )  # fmt: skip


RULE = Rule(
    CODE, "lamp on longer than its plan", judge, timedelta(hours=1), may_move=(SHORTER_LIGHT,)
)
