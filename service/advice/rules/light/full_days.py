"""The full days of light that a rule may judge."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.advice.engine.rule import Case
from service.advice.phrases import sensor_source
from service.advice.tank_states import adjusted
from service.derive.local_time import local_moment
from service.derive.models.light import LightDay
from service.registry.models.log import Lever

LEAST_COVER = 0.9
"""Share of a day that readings must cover. Our choice."""


def full_days(case: Case) -> list[LightDay]:
    """Days that are over, well covered by readings and lit by the present plan, oldest first."""
    return [one for one in days_of_plan(case) if one.complete and one.covered_share >= LEAST_COVER]


def days_of_plan(case: Case) -> list[LightDay]:
    """Days whose light began after lamp or photoperiod were last adjusted, oldest first.

    What was lit under the old plan is no reason to move the new one.
    """
    changed = adjusted(case, Lever.LIGHT_HOURS, Lever.LIGHT_STRENGTH)
    if changed is None:
        return list(case.view.light_days)
    return [one for one in case.view.light_days if _first_light(case, one) >= changed]


def _first_light(case: Case, day: LightDay) -> datetime:
    planned = local_moment(case.tank, day.day, case.tank.light.start)
    return min(day.lit[0][0], planned) if day.lit else planned


def mean_dli(case: Case, *, at_most: bool = False) -> tuple[float, int] | None:
    """Mean daily light integral of the last full days with light, and how many they are.

    Args:
        at_most: as if the lamp had been on in all that was not seen.

    Returns:
        None where there are too few. Days without any light have a rule of their own.
    """
    wanted = int(case.limit("dli_days"))
    found = [
        one.dli_high_mol_m2_d if at_most else one.dli_mol_m2_d
        for one in full_days(case)[-wanted:]
        if one.lit and one.dli_mol_m2_d is not None
    ]
    if len(found) < min(wanted, 2):
        return None
    return sum(found) / len(found), len(found)


def light_before(case: Case, on: datetime) -> LightDay | None:
    """The day whose light came a day before some hours that begin at ``on``, if it had any."""
    for one in reversed(case.view.light_days):
        if one.lit and one.lit[0][0] < on - timedelta(hours=6):
            return one if one.lit[0][0] > on - timedelta(hours=42) else None
    return None


def light_sensor(case: Case) -> str:
    """The source of evidence from the light sensor; "" without one."""
    light = case.view.light
    return sensor_source(None if light is None else light.reading)
