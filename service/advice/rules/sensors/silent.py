"""Rule `sensor-silent`: a sensor no longer reports.

Judges the age of each sensor's newest reading. Clears ten minutes after it reports again; a
sensor silent for weeks was taken out and is left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import span
from service.derive.sensor_choice import age_min
from service.store.model import SeriesInfo
from service.times import from_us

CODE = "sensor-silent"
RESTS_ON = {
    "ph": "CO2",
    "temperature": "temperature and oxygen",
    "illuminance": "light",
    "ppfd": "light",
}


def judge(case: Case) -> Iterator[Finding]:
    """One finding per silent sensor; one silent for weeks was taken out."""
    least = case.limit("sensor_silent_min")
    most = case.limit("sensor_retired_days") * 1440
    for one in case.view.sensors:
        if least <= age_min(one.last, case.now) <= most:
            yield _finding(case, one)


def subject_of(info: SeriesInfo) -> str:
    """How findings name a series: quantity and sensor."""
    return f"{info.key.quantity} {info.key.sensor}"


def spoken_for(case: Case, quantity: str) -> bool:
    """Whether another sensor of the quantity still reports."""
    least = case.limit("sensor_silent_min")
    return any(
        one.key.quantity == quantity and age_min(one.last, case.now) < least
        for one in case.view.sensors
    )


def _finding(case: Case, one: SeriesInfo) -> Finding:
    silent_min = age_min(one.last, case.now)
    quantity = one.key.quantity
    others = spoken_for(case, quantity)
    what = RESTS_ON.get(quantity, quantity)
    matters = quantity == "temperature" and bool(case.tank.livestock) and not others
    since = from_us(one.last.time_us)
    return Finding(
        code=CODE,
        subject=subject_of(one),
        severity=Severity.WARNING if matters else Severity.ADVICE,
        title=f"The {quantity} sensor {one.key.sensor} has been silent for {span(silent_min)}",
        action=(
            "Check its power, its radio or cable, and its connection to the broker. "
            + (
                "Another sensor of the tank still measures it."
                if others
                else f"Until then there is no advice on {what}: check the tank yourself."
            )
        ),
        evidence=(
            Evidence(
                "last reading", quantity, one.last.value, "", time=since,
                source=f"sensor {one.key.sensor}",
            ),
        ),
        amounts=(Amount("silent for", silent_min, "min"),),
        hazards=(Hazard.MAINS,),
        confidence=1.0,
        since=since,
    )  # fmt: skip


RULE = Rule(CODE, "a sensor has not reported for a while", judge, timedelta(minutes=10),
            timedelta(days=2))  # fmt: skip
