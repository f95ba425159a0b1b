"""Rule `gas-at-night`: CO2 does not fall after lights-off, so gas still flows.

Judges the last known night of a tank whose plan closes the gas. Clears when CO2 falls by clearly
more than the threshold in a night.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.levers import MORE_GAS
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import percent
from service.derive.models.co2_days import Co2Day
from service.derive.thresholds import OUR_CHOICE

CODE = "gas-at-night"
LEAST_SHARE_OF_TARGET = 0.6
"""CO2 that was low at lights-off has little to lose in the night. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when CO2 fell too little in the last known night."""
    plan = case.tank.gas
    if not case.tank.co2_injected or plan.end is None:
        return
    night = _last_night(case)
    if night is None or night.night_low_mg_l is None or night.dusk_mg_l is None:
        return
    if night.dusk_mg_l < LEAST_SHARE_OF_TARGET * case.view.co2.target_low_mg_l:
        return
    fall = 1.0 - night.night_low_mg_l / night.dusk_mg_l
    least = case.limit("night_fall_fraction")
    if fall > case.eased(least, 1.2, CODE):
        return
    warn = case.tank.animals and night.night_low_mg_l > 0.8 * case.view.co2.target_high_mg_l
    yield Finding(
        code=CODE,
        severity=Severity.WARNING if warn else Severity.ADVICE,
        title="CO2 seems to stay on at night",
        action=(
            "Raise the filter outlet or run an air stone at night until it is mended. In the dark "
            "plants give off CO2 and take up oxygen, as animals do. By its plan CO2 goes off at "
            f"{plan.end:%H:%M}, but it fell by only {percent(max(fall, 0.0))} in "
            f"{night.night_h:.0f} h of dark."
        ),
        keeper_action="Check the solenoid valve and its timer: a valve can stick open.",
        evidence=(
            Evidence(
                "share by which CO2 fell in the night", "night-fall", fall, "1", least,
                night.night_from, OUR_CHOICE,
            ),
            Evidence(
                "CO2 when it and the lamp should be off", "co2", night.dusk_mg_l, "mg/L",
                time=night.night_from,
            ),
            Evidence("lowest CO2 of the night", "co2", night.night_low_mg_l, "mg/L"),
        ),
        amounts=(Amount("CO2 at the end of the night", night.night_low_mg_l, "mg/L"),),
        hazards=(Hazard.CO2, Hazard.MAINS, Hazard.ANIMALS),
        confidence=0.75,
        since=night.night_from,
        refuses=(MORE_GAS,),
    )  # fmt: skip


def _last_night(case: Case) -> Co2Day | None:
    """The last day whose night is known, if it is not long past."""
    for one in reversed(case.view.co2_days):
        if case.now - one.night_from > timedelta(hours=40):
            return None
        if one.night_low_mg_l is not None:
            return one
    return None


RULE = Rule(CODE, "CO2 does not fall at night although it should be off", judge)
