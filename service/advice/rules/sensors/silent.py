"""Rule `sensor-silent`: a sensor no longer reports.

Judges the age of each sensor's newest reading. Sensors that fell silent together, such as those of
one board, are one recommendation. Clears ten minutes after they report again. A sensor silent for
weeks was taken out where another one measures the same; the last one of its quantity stays until it
reports or somebody answers, also when the store keeps none of its readings any more.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import listed, span
from service.advice.rules.sensors.groups import (
    NAMES_SHOWN,
    group_subject,
    name_of,
    names_of,
    sensor_words,
    subject_of,
    together,
)
from service.derive.sensors.choice import age_min
from service.quantities import QUANTITIES
from service.store.model import SeriesInfo
from service.times import from_us

CODE = "sensor-silent"
TOGETHER_MIN = 15.0
"""Newest readings of one board or one power supply are no further apart. Our choice."""
RESTS_ON = {
    "ph": "CO2",
    "temperature": "temperature and oxygen",
    "illuminance": "light",
    "ppfd": "light",
}


def judge(case: Case) -> Iterator[Finding]:
    """One finding for the sensors that fell silent together."""
    least = case.limit("sensor_silent_min")
    most = case.limit("sensor_retired_days") * 1440
    silent = [one for one in case.view.sensors if age_min(one.last, case.now) >= least]
    measured = {
        one.key.quantity for one in case.view.sensors if age_min(one.last, case.now) < least
    }
    for group in together(silent, TOGETHER_MIN):
        if age_min(group[-1].last, case.now) > most:
            # taken out, unless it was reported and nothing else measures what it did
            missed = [one for one in group if one.key.quantity not in measured]
            if not any(case.active(CODE, subject_of(one)) for one in group) or not missed:
                continue
            group = missed
        yield _finding(case, group, measured)
    yield from _forgotten(case, measured)


def _forgotten(case: Case, measured: set[str]) -> Iterator[Finding]:
    """Sensors that were reported silent, and whose last reading the store no longer keeps."""
    known = {subject_of(one) for one in case.view.sensors}
    for code, subject in sorted(case.active_conditions):
        quantity, _, sensor = subject.partition(" ")
        if code != CODE or subject in known or quantity not in QUANTITIES.keys() - measured:
            continue
        yield Finding(
            code=CODE,
            subject=subject,
            severity=_severity(case, {quantity}),
            title=f"The {sensor_words(quantity, sensor)} is silent, and its readings are gone",
            action=(
                f"{_check_one()} The store keeps none of its readings any more. "
                f"{_meanwhile((), {quantity})}"
            ),
            evidence=(Evidence("readings that the store still has of it", "readings", 0.0, "1"),),
            hazards=(Hazard.MAINS,),
            confidence=1.0,
        )


def _severity(case: Case, missing: set[str]) -> Severity:
    matters = "temperature" in missing and bool(case.tank.animals)
    return Severity.WARNING if matters else Severity.ADVICE


def _finding(case: Case, group: Sequence[SeriesInfo], measured: set[str]) -> Finding:
    silent_min = age_min(group[-1].last, case.now)
    missing = {one.key.quantity for one in group} - measured
    return Finding(
        code=CODE,
        subject=group_subject(case, CODE, group),
        severity=_severity(case, missing),
        title=_title(group, silent_min),
        action=f"{_check(group)} {_meanwhile(group, missing)}",
        evidence=tuple(
            Evidence(
                "last reading", one.key.quantity, one.last.value, "",
                time=from_us(one.last.time_us), source=f"sensor {one.key.sensor}",
            )
            for one in group[:NAMES_SHOWN]
        ),
        amounts=(Amount("silent for", silent_min, "min"),),
        hazards=(Hazard.MAINS,),
        confidence=1.0,
        since=from_us(group[0].last.time_us),
    )  # fmt: skip


def _title(group: Sequence[SeriesInfo], silent_min: float) -> str:
    if len(group) > 1:
        return f"{len(group)} sensors have been silent for {span(silent_min)}"
    return f"The {name_of(group[0])} has been silent for {span(silent_min)}"


def _check(group: Sequence[SeriesInfo]) -> str:
    if len(group) == 1:
        return _check_one()
    return (
        f"They stopped at the same time: {names_of(group)}. Check what they share: power, board, "
        "radio or cable, and the connection to the broker."
    )


def _check_one() -> str:
    return "Check its power, its radio or cable, and its connection to the broker."


def _meanwhile(group: Sequence[SeriesInfo], missing: set[str]) -> str:
    if missing:
        what = listed(sorted({RESTS_ON.get(quantity, quantity) for quantity in missing}))
        return (
            f"Until then there is no advice on {what}: check the tank yourself. If it was taken "
            "out for good, dismiss this."
        )
    if len(group) == 1:
        return "Another sensor of the tank still measures it."
    return "Other sensors of the tank still measure the same."


RULE = Rule(CODE, "a sensor has not reported for a while", judge, timedelta(minutes=10),
            timedelta(days=2))  # fmt: skip
