"""The full days of light that a rule may judge."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.advice.engine.rule import Case
from service.advice.phrases import sensor_source
from service.derive.models import LightDay

LEAST_COVER = 0.9
"""Share of a day that readings must cover. Our choice."""


def full_days(case: Case) -> list[LightDay]:
    """Days that are over and well covered by readings, oldest first."""
    return [
        one for one in case.view.light_days if one.complete and one.covered_share >= LEAST_COVER
    ]


def mean_dli(case: Case) -> tuple[float, int] | None:
    """Mean daily light integral of the last full days with light, and how many they are.

    None where there are too few. Days without any light have a rule of their own.
    """
    wanted = int(case.limit("dli_days"))
    days = [one for one in full_days(case)[-wanted:] if one.lit and one.dli_mol_m2_d is not None]
    if len(days) < min(wanted, 2):
        return None
    return sum(one.dli_mol_m2_d or 0.0 for one in days) / len(days), len(days)


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
