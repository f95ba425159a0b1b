"""The hours of light that are wanted: the plan's, or fewer while plants settle."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import floor

from service.advice.care_log import entries, set_up_at
from service.advice.engine.rule import Case
from service.derive.local_time import local_day, local_moment
from service.registry.models.log import LogKind


def planned_days(case: Case) -> list[tuple[datetime, datetime]]:
    """On and off that are wanted, UTC: of the local day before now, of now's, and of the next."""
    plan, hours = case.tank.light, wanted_hours(case)
    if hours <= 0:
        return []
    today = local_day(case.tank, case.now)
    starts = [
        local_moment(case.tank, today + timedelta(days=shift), plan.start) for shift in (-1, 0, 1)
    ]
    return [(on, on + timedelta(hours=hours)) for on in starts]


def wanted_hours(case: Case) -> float:
    """The plan's hours; while plants settle no more than the shorter photoperiod, and then so
    much more each week as the advice says.

    Light that was shortened on this advice is not reported as too short.
    """
    hours, shorter = case.tank.light.photoperiod_h, case.limit("settling_hours")
    per_week, weeks = case.limit("settling_step_h"), case.limit("settling_weeks")
    lasting = weeks + max(hours - shorter, 0.0) / per_week
    began = _began(case, case.now - timedelta(weeks=lasting))
    if began is None:
        return hours
    past_weeks = (case.now - began[1]) / timedelta(weeks=1) - weeks
    return min(hours, shorter + per_week * max(floor(past_weeks), 0))


def settling_since(case: Case) -> tuple[str, datetime] | None:
    """What has to settle, and since when; the newest counts; None where nothing has."""
    return _began(case, case.now - timedelta(weeks=case.limit("settling_weeks")))


def _began(case: Case, oldest: datetime) -> tuple[str, datetime] | None:
    for one in entries(case, LogKind.REPLANT):
        if one.time < oldest:
            break
        if float(one.data.get("fraction", 0.0)) >= case.limit("settling_fraction"):
            return "Replanted", one.time
    start = set_up_at(case)
    return ("Set up", start) if start is not None and oldest <= start <= case.now else None
