"""Rule `light-shifted`: the lamp is on for as long as planned, but at other hours.

A timer that drifts, or missed the change to summer time. Judges the last two full days. Clears
when a day starts within 0.6 of the threshold, an hour after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import clock, span
from service.advice.rules.light.full_days import full_days, light_sensor
from service.derive.local_time import local_moment
from service.derive.models.light import LightDay
from service.registry.models.log import Lever

CODE = "light-shifted"
DAYS = 2
"""The shift must show on so many days in a row. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the lamp came on early or late on the last two full days alike."""
    days = [one for one in full_days(case) if one.on_at is not None][-DAYS:]
    if len(days) < DAYS or case.tank.light.photoperiod_h <= 0:
        return
    shifts = [shift_min(case, one) for one in days]
    most = case.eased(case.limit("light_shift_min"), 0.6, CODE)
    if not (all(one > most for one in shifts) or all(one < -most for one in shifts)):
        return
    shift = shifts[-1]
    plan, on = case.tank.light, days[-1].on_at or case.now
    hour_off = abs(abs(shift) - 60) < 8
    yield Finding(
        code=CODE,
        severity=Severity.INFO,
        title=f"The lamp comes on {span(abs(shift))} {'late' if shift > 0 else 'early'}",
        action=(
            f"Set the timer {span(abs(shift))} {'earlier' if shift > 0 else 'later'}"
            + (", and see that CO2 still comes on in time for it" if case.tank.co2_injected else "")
            + f". The lamp came on at {clock(case.tank, on)}; the plan says "
            f"{plan.start:%H:%M}."
            + (" An hour off is mostly a change to or from summer time." if hour_off else "")
        ),
        evidence=(
            Evidence(
                "first light against the plan", "light-shift", shift, "min",
                case.limit("light_shift_min"), on, light_sensor(case),
            ),
        ),
        amounts=(Amount("difference from the plan", shift, "min"),),
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        confidence=0.8,
        since=days[0].on_at,
        log=adjustment(Lever.LIGHT_HOURS, f"on at {plan.start:%H:%M}"),
    )  # fmt: skip


def shift_min(case: Case, day: LightDay) -> float:
    """Minutes by which first light came after its plan (below 0: before), round the clock."""
    planned = local_moment(case.tank, day.day, case.tank.light.start)
    on: datetime = day.on_at or planned
    minutes = (on - planned).total_seconds() / 60
    return (minutes + 720) % 1440 - 720


RULE = Rule(CODE, "lamp on early or late by its plan, two days alike", judge, timedelta(hours=1))
