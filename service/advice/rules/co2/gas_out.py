"""Rule `gas-out`: no CO2 flows: it does not rise in the morning, or stays low all day.

Judges the rise since the CO2 was switched on today, and the last day with two hours of light.
Clears when CO2 rises clearly above the thresholds.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from service.advice.care_log import newest
from service.advice.engine.levers import MORE_GAS, MORE_LIGHT, SHORTER_LIGHT
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import clock, sensor_source
from service.advice.rules.co2.last_day import LEAST_LIGHT, last_day
from service.derive.models.co2_days import Co2Day, GasStart
from service.registry.models.log import LogKind

CODE = "gas-out"
SEEN_MG_L: Final = 3.0
"""A usual rise of less is lost in the noise of pH. Our choice."""
LEAST_MG_L: Final = 0.1
"""A change of less is none. Our choice."""


def judge(case: Case) -> Iterator[Finding]:
    """One finding when CO2 did not start today, or never rose in the light of the last day."""
    start, day = not_started(case), no_gas(case)
    if start is not None:
        yield _not_started(case, start)
    elif day is not None:
        yield _none_all_day(case, day)


def _not_started(case: Case, start: GasStart) -> Finding:
    return Finding(
        code=CODE,
        severity=Severity.WARNING,
        title=f"CO2 did not start: no rise since {clock(case.tank, start.on_at)}",
        action=(
            "Check in this order: timer and solenoid valve, cylinder pressure, tubing, diffuser. "
            "Don't open the needle valve further: when CO2 flows again it would be too much. "
            f"By now CO2 has usually risen by {start.usual_mg_l:.0f} mg/L; today {_risen(start)}."
        ),
        evidence=(
            Evidence(
                f"rise since switching on; usual on the last {start.days} days: "
                f"{start.usual_mg_l:.1f} mg/L",
                "co2-rise", start.rise_mg_l, "mg/L",
                case.limit("gas_start_fraction") * start.usual_mg_l, case.now,
                sensor_source(case.view.co2.ph),
            ),
        ),
        amounts=(Amount("rise missing", start.usual_mg_l - start.rise_mg_l, "mg/L"),),
        due=case.now,
        hazards=(Hazard.CO2, Hazard.MAINS),
        who=Who.KEEPER,
        confidence=0.8,
        since=start.on_at,
        refuses=(MORE_GAS,),
    )  # fmt: skip


def _risen(start: GasStart) -> str:
    """What CO2 did since it was switched on: ``it has risen by 1.2 mg/L``."""
    if abs(start.rise_mg_l) < LEAST_MG_L:
        return "it has not risen"
    way = "risen" if start.rise_mg_l > 0 else "fallen"
    return f"it has {way} by {abs(start.rise_mg_l):.1f} mg/L"


def not_started(case: Case) -> GasStart | None:
    """Today's start of CO2, if nothing came of it.

    A water change since then explains that, and so does CO2 that ``gas-late`` says is late.
    """
    start = case.view.gas_start
    if start is None or start.usual_mg_l < SEEN_MG_L or case.active("gas-late"):
        return None
    if start.now_mg_l >= case.view.co2.target_low_mg_l:
        return None  # there is plenty: it was never switched off
    change = newest(case, LogKind.WATER_CHANGE)
    if change is not None and change.time >= start.on_at - timedelta(hours=1):
        return None
    if case.now - start.on_at < timedelta(minutes=case.limit("gas_start_min")):
        return None
    least = case.eased(case.limit("gas_start_fraction"), 1.5, CODE)
    return start if start.rise_mg_l < least * start.usual_mg_l else None


def _none_all_day(case: Case, day: Co2Day) -> Finding:
    most = case.limit("gas_out_mg_l")
    return Finding(
        code=CODE,
        severity=Severity.WARNING,
        title=f"No CO2 seems to flow: it reached only {day.peak_mg_l:.0f} mg/L",
        action=(
            "Check in this order: cylinder pressure, solenoid valve and its timer, tubing, "
            "diffuser. Don't open the needle valve further: when CO2 flows again it would be too "
            "much. While there is none, shorten the light to about "
            f"{case.limit('photoperiod_shortest_h'):g} h: light without CO2 feeds algae."
        ),
        evidence=(
            Evidence(
                "highest CO2 while lit", "co2", day.peak_mg_l, "mg/L", most,
                day.peak_at, sensor_source(case.view.co2.ph),
            ),
        ),
        amounts=(Amount("CO2 missing", case.view.co2.target_low_mg_l - day.peak_mg_l, "mg/L"),),
        hazards=(Hazard.CO2, Hazard.MAINS),
        who=Who.KEEPER,
        confidence=0.85,
        since=day.on_at,
        moves=(SHORTER_LIGHT,),
        refuses=(MORE_GAS, *MORE_LIGHT),
    )  # fmt: skip


def no_gas(case: Case, least_light: timedelta = LEAST_LIGHT) -> Co2Day | None:
    """The last day, if CO2 stayed so low all through its light that no gas can have flowed."""
    day = last_day(case, least_light)
    if not case.tank.co2_injected or day is None:
        return None
    most = case.eased(case.limit("gas_out_mg_l"), 1.25, CODE)
    return day if day.peak_mg_l <= most else None


RULE = Rule(
    CODE,
    "CO2 does not rise when it is switched on, or stays low all day",
    judge,
    may_move=(SHORTER_LIGHT,),
)
