"""Rule `gas-late`: CO2 reaches its target long after lights-on.

Judges the last day that reached it, or whose light is over; a lamp off its plan or a water change
in the morning is no reason. Clears when the target is reached within half the threshold, six hours
after it was last found.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta

from service.advice.adjusting import adjustment
from service.advice.engine.levers import GAS_EARLIER, LESS_GAS, MORE_GAS
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import span
from service.advice.rules.co2.last_day import (
    lamp_off_plan,
    last_judged_day,
    water_changed_before,
)
from service.derive.models.co2_days import Co2Day
from service.registry.models.log import Lever

CODE = "gas-late"


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the last day with light reached its target late, but did reach it."""
    day = last_judged_day(case)
    if day is None or day.reached_min is None or not case.tank.co2_injected:
        return
    if lamp_off_plan(case, day) or water_changed_before(case, day):
        return
    least = case.limit("gas_late_min")
    if day.reached_min < case.eased(least, 0.5, CODE):
        return
    earlier_min = timer_step(minutes_earlier(case, day))
    start = case.tank.gas.start
    moved = ""
    if start is None:
        how = f"Set CO2 to come on {span(earlier_min)} earlier than now"
    else:
        moved = moved_clock(start.hour * 60 + start.minute - earlier_min)
        how = f"Set CO2 to come on at {moved} ({span(earlier_min)} earlier)"
    low = case.view.co2.target_low_mg_l
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"CO2 reaches its target {span(day.reached_min)} after lights-on",
        action=(
            f"{how}, so that it is at {low:.0f} mg/L when the lamp comes on. Leave the needle "
            "valve as it is, and judge again after two days."
        ),
        evidence=(
            Evidence(
                f"CO2 at lights-on; target from {low:.0f} mg/L",
                "co2",
                day.at_on_mg_l,
                "mg/L",
                low,
                day.on_at,
            ),
            Evidence(
                "target reached after lights-on", "minutes-late", day.reached_min, "min", least,
                day.on_at + timedelta(minutes=day.reached_min), COMMON_PRACTICE,
            ),
            *lead_evidence(case),
        ),
        amounts=(Amount("CO2 on earlier by", earlier_min, "min"),),
        hazards=(Hazard.CO2, *((Hazard.ANIMALS,) if case.tank.animals else ())),
        who=Who.KEEPER,
        confidence=0.8 if lead_evidence(case) else 0.65,
        since=day.on_at,
        log=adjustment(Lever.GAS_TIMES, moved or f"{span(earlier_min)} earlier"),
        moves=(GAS_EARLIER,),
        refuses=(MORE_GAS, LESS_GAS),
    )  # fmt: skip


def minutes_earlier(case: Case, day: Co2Day) -> float:
    """How much earlier the gas should come on.

    With a fitted gas exchange: the lead it gives, less the lead that the plan gives now. Else as
    long as CO2 came late. Both with the margin of practice.
    """
    late = (day.reached_min or 0.0) + case.limit("gas_margin_min")
    most = case.limit("gas_earlier_max_min")
    gas, light, start = case.view.gas, case.tank.light, case.tank.gas.start
    if gas is None or gas.lead_h is None or start is None:
        return min(late, most)
    if not math.isfinite(gas.lead_h.value):
        return min(late, most)
    on = light.start.hour * 60 + light.start.minute
    gas_on = start.hour * 60 + start.minute
    lead_now = (on - gas_on + 720) % 1440 - 720
    wanted = gas.lead_h.value * 60 + case.limit("gas_margin_min")
    return min(max(wanted - lead_now, late / 2), most)


def lead_evidence(case: Case) -> tuple[Evidence, ...]:
    """Evidence on the lead from the fitted gas exchange, if it does."""
    gas = case.view.gas
    if gas is None or gas.lead_h is None or not math.isfinite(gas.lead_h.high):
        return ()
    lead = gas.lead_h
    text = (
        f"CO2 needs {lead.value:.1f} h (95 %: {lead.low:.1f} to {lead.high:.1f} h) to the "
        "lower end of the target, fitted to the last days"
    )
    return (Evidence(text, "lead", lead.value, "h", time=gas.fitted, source="first-order fit"),)


def moved_clock(minute_of_day: float) -> str:
    """A time of day from minutes since midnight, round the clock."""
    minute = round(minute_of_day) % 1440
    return f"{minute // 60:02d}:{minute % 60:02d}"


def timer_step(minutes: float) -> float:
    """Rounded to five minutes as timers are set, five at least."""
    return 5.0 * max(round(minutes / 5), 1)


RULE = Rule(
    CODE,
    "target reached long after lights-on",
    judge,
    clear_delay=timedelta(hours=6),
    settling=timedelta(days=2),
    may_move=(GAS_EARLIER,),
)
