"""Rule `oxygen-low`: too little oxygen, measured, or water too warm or too high up to hold much.

Judges the oxygen sensor, and without one the saturation at the water's temperature. Clears when
either is clearly above its threshold, two hours after it was last found.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.closing import close_co2
from service.advice.engine.levers import LESS_FEED, LESS_GAS, MORE_GAS
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import capitalised
from service.derive.models.quality import Quality
from service.derive.sensors.choice import age_min
from service.derive.thresholds import STALE_NAME
from service.science.gas_exchange.air_water import (
    oxygen_saturation_mg_l,
    pressure_atm_from_altitude,
)

CODE = "oxygen-low"
FRESH = STALE_NAME["dissolved_oxygen"]
THIN_AIR_SHARE = 0.95
"""Below this share of the saturation at the sea the altitude is named: from 430 m. Our choice."""

SATURATION_SOURCE = "Benson & Krause 1984, Limnol. Oceanogr. 29:620-632"


def judge(case: Case) -> Iterator[Finding]:
    """A measured value counts; without one, what the water can hold at its temperature."""
    if not case.tank.animals:
        return
    reading = case.view.latest.get("dissolved_oxygen")
    if reading is not None and age_min(reading, case.now) <= case.limit(FRESH):
        yield from _measured(case, reading.value, reading.sensor)
        return
    found = case.view.temperature
    if found.reading is None or found.quality is Quality.STALE or found.reading.value > 40:
        return
    holds = saturation_mg_l(case, found.reading.value)
    least = case.limit("oxygen_saturation_low_mg_l")
    until = case.eased(least, 1.02, CODE)
    if holds >= until:
        return
    celsius = found.reading.value
    too_warm = celsius >= case.limit("no_more_gas_c")
    who, why = _held_down(case, celsius, until)
    yield Finding(
        code=CODE,
        severity=Severity.ADVICE,
        title=f"{who} holds only {holds:.1f} mg/L of oxygen",
        action=(
            "Raise the filter outlet or run an air stone from lights-off to lights-on, feed less, "
            f"and see that the filter runs freely. At {celsius:.1f} °C water holds {holds:.1f} "
            f"mg/L at most, because of {why}. The night uses up some of it."
            + (
                " Moving the water also drives out CO2: don't raise its flow to make up for that "
                "while it is so warm."
                if too_warm
                else ""
            )
        ),
        evidence=(
            Evidence(
                f"oxygen saturation at {case.tank.altitude_m:g} m above the sea", "oxygen", holds,
                "mg/L", least, case.now, SATURATION_SOURCE,
            ),
        ),
        amounts=(Amount("oxygen at saturation", holds, "mg/L"),),
        hazards=(Hazard.ANIMALS, Hazard.MAINS),
        confidence=0.6,
        since=case.now,
        moves=(LESS_FEED,),
        refuses=(MORE_GAS,) if too_warm else (),
    )  # fmt: skip


def saturation_mg_l(case: Case, celsius: float) -> float:
    """Oxygen that the water holds at a temperature and the tank's altitude, mg/L."""
    pressure = pressure_atm_from_altitude(case.tank.altitude_m)
    return float(oxygen_saturation_mg_l(celsius, pressure_atm=pressure))


def _held_down(case: Case, celsius: float, least: float) -> tuple[str, str]:
    """Which water it is, and what lowers its saturation: warmth, thin air, or both."""
    metres = f"{case.tank.altitude_m:.0f} m"
    at_sea = float(oxygen_saturation_mg_l(celsius))
    if at_sea >= least:
        return (
            f"At {metres} water",
            f"the thin air at {metres}, not of warmth (at the sea it is {at_sea:.1f} mg/L)",
        )
    if saturation_mg_l(case, celsius) < THIN_AIR_SHARE * at_sea:
        return f"Warm water at {metres}", f"both the warmth and the thin air at {metres}"
    return "Warm water", "the warmth"


def _measured(case: Case, oxygen_mg_l: float, sensor: str) -> Iterator[Finding]:
    least = case.limit("oxygen_low_mg_l")
    if oxygen_mg_l >= case.eased(least, 1.1, CODE):
        return
    yield Finding(
        code=CODE,
        severity=Severity.URGENT if oxygen_mg_l < 0.6 * least else Severity.WARNING,
        title=f"Oxygen is low: {oxygen_mg_l:.1f} mg/L",
        action=(
            "Raise the filter outlet and run an air stone now. "
            f"{f'{capitalised(close_co2(case.tank))}. ' if case.tank.co2_injected else ''}"
            "Take out what rots, and don't feed today. See that the filter runs: a stopped filter "
            "uses oxygen up."
        ),
        evidence=(
            Evidence(
                "dissolved oxygen", "oxygen", oxygen_mg_l, "mg/L", least, case.now,
                f"sensor {sensor}; US EPA 1986 (from memory)",
            ),
        ),
        amounts=(Amount("oxygen missing", least - oxygen_mg_l, "mg/L"),),
        due=case.now,
        hazards=(Hazard.ANIMALS, Hazard.CO2, Hazard.MAINS),
        confidence=0.8,
        since=case.now,
        moves=(LESS_FEED, *((LESS_GAS,) if case.tank.co2_injected else ())),
        refuses=(MORE_GAS,),
    )  # fmt: skip


RULE = Rule(
    CODE,
    "oxygen low, measured or by temperature",
    judge,
    timedelta(hours=2),
    may_move=(LESS_FEED, LESS_GAS),
)
