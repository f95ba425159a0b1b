"""The last day whose light has gone far enough to judge the gas by."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.advice.care_log import entries
from service.advice.engine.rule import Case
from service.advice.tank_states import gas_beginning
from service.derive.local_time import local_moment
from service.derive.models.co2_days import Co2Day
from service.registry.models.log import LogKind

LEAST_LIGHT = timedelta(hours=2)
OLDEST = timedelta(hours=36)
OVER = timedelta(minutes=30)
"""Light that was not seen for so long is over for the day. Our choice."""
BEFORE_LIGHT = timedelta(hours=6)
"""A water change so long before lights-on still shows in the CO2 of the morning. Our choice."""


def last_day(case: Case, least_light: timedelta = LEAST_LIGHT) -> Co2Day | None:
    """The last day with so much light; none older than a day and a half.

    None where CO2 was adjusted since: what was measured under the old plan is no reason to move the
    new one.
    """
    beginning = gas_beginning(case)
    for one in reversed(case.view.co2_days):
        if case.now - one.on_at > OLDEST or _begun_in(case, one, beginning):
            return None
        if one.off_at - one.on_at >= least_light:
            return one
    return None


def last_judged_day(case: Case) -> Co2Day | None:
    """The last day that reached its target or whose light is over, by ``last_day``'s limits.

    A morning that has not reached it yet says neither that CO2 is late nor that it is not.
    """
    if not target_to_come(case):
        return last_day(case)
    before = [one for one in case.view.co2_days[:-1] if case.now - one.on_at <= OLDEST]
    if not before or before[-1].off_at - before[-1].on_at < LEAST_LIGHT:
        return None
    return None if _begun_in(case, before[-1], gas_beginning(case)) else before[-1]


def target_to_come(case: Case) -> bool:
    """Whether it is light and CO2 has not reached its target yet."""
    days = case.view.co2_days
    return bool(days) and days[-1].reached_min is None and case.now - days[-1].off_at < OVER


def _begun_in(case: Case, day: Co2Day, beginning: datetime | None) -> bool:
    """Whether CO2 was adjusted after that day's CO2 came on: then it tells nothing of now."""
    if beginning is None:
        return False
    tank = case.tank
    return beginning > local_moment(tank, day.day, tank.gas.start or tank.light.start)


def lamp_off_plan(case: Case, day: Co2Day) -> bool:
    """Whether the lamp itself came on early or late: then the gas is not to blame."""
    planned = local_moment(case.tank, day.day, case.tank.light.start)
    grace = timedelta(minutes=case.limit("light_grace_min"))
    return abs(day.on_at - planned) > grace


def water_changed_before(case: Case, day: Co2Day) -> bool:
    """Whether a water change shortly before or in the morning took CO2 out."""
    reached = day.on_at + timedelta(minutes=max(day.reached_min or 0.0, 0.0))
    return any(
        day.on_at - BEFORE_LIGHT <= one.time <= reached
        for one in entries(case, LogKind.WATER_CHANGE)
    )
