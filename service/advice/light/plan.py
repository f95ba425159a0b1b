"""The planned hours of light as moments."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.advice.rule import Case
from service.derive.light import local_day, local_moment


def planned_days(case: Case) -> list[tuple[datetime, datetime]]:
    """On and off of the plan, UTC: of the local day before now, of now's, and of the day after."""
    plan = case.tank.photoperiod
    if plan.hours <= 0:
        return []
    today = local_day(case.tank, case.now)
    starts = [
        local_moment(case.tank, today + timedelta(days=shift), plan.lights_on)
        for shift in (-1, 0, 1)
    ]
    return [(on, on + timedelta(hours=plan.hours)) for on in starts]
