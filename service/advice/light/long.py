"""The lamp burns longer than planned: still on now, or too long yesterday."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice.light.plan import planned_days
from service.advice.phrases import clock, span
from service.advice.practice import COMMON_PRACTICE
from service.advice.recommendation import Amount, Evidence, Finding, Severity
from service.advice.rule import Case, Rule

CODE = "light-long"


def judge(case: Case) -> Iterator[Finding]:
    """Speak when the lamp is on past its plan, or the last full day was too long."""
    if case.tank.photoperiod.hours <= 0:
        return
    still_on = on_past_plan(case)
    if still_on is not None:
        over_min = (case.now - still_on).total_seconds() / 60
        yield _finding(case, over_min, still_on, now_on=True)
        return
    full = [one for one in case.view.light_days if one.complete]
    if not full:
        return
    over_min = 60 * (full[-1].photoperiod_h - case.tank.photoperiod.hours)
    tolerance = case.limit("photoperiod_tolerance_min")
    if over_min > (tolerance / 2 if case.stands(CODE) else tolerance):
        off = full[-1].off_at or full[-1].lit[-1][1]
        yield _finding(case, over_min, off - timedelta(minutes=over_min), now_on=False)


def on_past_plan(case: Case) -> datetime | None:
    """The planned off time that the lamp has outlasted, if it has."""
    light = case.view.light
    if light is None or not light.lit:
        return None
    grace = timedelta(minutes=case.limit("photoperiod_tolerance_min"))
    ends = [off for _, off in planned_days(case) if off <= case.now]
    starts = [on for on, _ in planned_days(case) if on <= case.now]
    if not ends or (starts and starts[-1] > ends[-1]):
        return None  # within the planned hours
    lit_since = light.unchanged_since
    if lit_since is not None and lit_since > ends[-1] + grace:
        return None  # someone lit it for a look; yesterday's sum will tell if it lasts
    return ends[-1] if case.now - ends[-1] > grace else None


def _finding(case: Case, over_min: float, since: datetime, *, now_on: bool) -> Finding:
    plan = case.tank.photoperiod
    when = f"since {clock(case.tank, since)}" if now_on else "on the last full day"
    return Finding(
        code=CODE,
        severity=Severity.WARNING if over_min > 240 else Severity.ADVICE,
        title=f"The lamp {'is' if now_on else 'was'} on {span(over_min)} too long",
        action=(
            f"The plan is {plan.hours:g} h from {plan.lights_on:%H:%M}; the lamp was on "
            f"{span(over_min)} longer ({when}). Set the timer back by {span(over_min)}, and check "
            "whether daylight or room light reaches the sensor. Long light feeds algae rather than "
            "plants."
        ),
        evidence=(
            Evidence(
                "lit beyond the plan",
                "photoperiod-excess",
                over_min,
                "min",
                case.limit("photoperiod_tolerance_min"),
                case.now,
                COMMON_PRACTICE,
            ),
        ),
        amounts=(Amount("light too long", over_min, "min"),),
        since=since,
        confidence=0.8,
        moves=("light:lower",),
    )


RULE = Rule(CODE, "lamp on longer than its plan", judge)
