"""The full days of light that a rule may judge."""

from __future__ import annotations

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


def light_sensor(case: Case) -> str:
    """The source of evidence from the light sensor; "" without one."""
    light = case.view.light
    return sensor_source(None if light is None else light.reading)
