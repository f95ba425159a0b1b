"""Rules `sensor-stuck` and `sensor-implausible`: readings that don't count.

Judge the flags of each sensor's newest reading; a single impossible one counts for nothing, three
in a row or a third of those of an hour do. More than three sensors of one fault are one
recommendation. A light sensor that stays at its highest value into the planned dark is stuck too,
long before the ingester flags it. Clear half an hour after the newest reading last had such a flag.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta

from service.advice.engine.recommendation import Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import listed
from service.advice.rules.sensors.groups import (
    NAMES_SHOWN,
    group_subject,
    name_of,
    names_of,
    subject_of,
)
from service.advice.rules.sensors.silent import RESTS_ON
from service.derive.sensors.choice import age_min
from service.quantities import QUANTITIES
from service.store.model import Flag, SeriesInfo, SeriesKey
from service.times import from_us

STUCK_CODE = "sensor-stuck"
IMPLAUSIBLE_CODE = "sensor-implausible"
_AT_UPPER_END = (
    "It stays at its highest value, to the last digit, although the lamp should be off by its "
    "plan. See whether the lamp is off. If it is, restart the sensor and see that it is dry and "
    "its cable is sound. If the lamp is on, switch it off and tell the tank keeper."
)
MOST_SINGLE = 3
"""More sensors of one fault are one recommendation. Our choice."""


def judge_stuck(case: Case) -> Iterator[Finding]:
    """One finding per series whose newest reading is flagged as stuck, or one for many."""
    top = _at_its_upper_end(case)
    stuck = [one for one in _fresh(case) if Flag.STUCK in one.last.flags or one.key == top]
    if len(stuck) > MOST_SINGLE:
        yield _together(case, stuck, STUCK_CODE, f"{len(stuck)} sensors are stuck",
                        "Their readings no longer move, not even by noise")  # fmt: skip
        return
    for one in stuck:
        yield _finding(
            one,
            STUCK_CODE,
            f"The {name_of(one)} is stuck",
            _AT_UPPER_END
            if one.key == top
            else "Its readings no longer move, not even by noise. Restart it; see that the probe "
            "is in the water, its cap is off and its cable is sound.",
        )


def _at_its_upper_end(case: Case) -> SeriesKey | None:
    """The light sensor that is stuck at its highest value, by day and night."""
    light = case.view.light
    return None if light is None or light.stuck is None else light.stuck.key


def judge_implausible(case: Case) -> Iterator[Finding]:
    """One finding per series that keeps sending impossible values, or one for many."""
    odd = [
        one
        for one in _fresh(case)
        if Flag.IMPLAUSIBLE in one.last.flags and one.key not in case.view.slips
    ]
    if len(odd) > MOST_SINGLE:
        yield _together(case, odd, IMPLAUSIBLE_CODE, f"{len(odd)} sensors send impossible values",
                        "So many at once have one cause")  # fmt: skip
        return
    for one in odd:
        quantity = QUANTITIES.get(one.key.quantity)
        can_be = (
            ""
            if quantity is None
            else f" ({quantity.plausible_low:g} to {quantity.plausible_high:g} is possible)"
        )
        yield _finding(
            one,
            IMPLAUSIBLE_CODE,
            f"The {name_of(one)} sends impossible values",
            f"It reads {one.last.value:g}{can_be}. Look for a broken cable, water in a plug, or a "
            "probe out of the water. Or its route has a wrong unit or calibration.",
        )


def _fresh(case: Case) -> Iterator[SeriesInfo]:
    least = case.limit("sensor_silent_min")
    return (one for one in case.view.sensors if age_min(one.last, case.now) < least)


def _finding(one: SeriesInfo, code: str, title: str, action: str) -> Finding:
    return Finding(
        code=code,
        subject=subject_of(one),
        severity=Severity.ADVICE,
        title=title,
        action=f"{action} Until then its readings don't count for {_what([one])}.",
        evidence=(_evidence(one),),
        hazards=(Hazard.MAINS,),
        confidence=0.85,
        since=from_us(one.last.time_us),
    )


def _together(case: Case, group: Sequence[SeriesInfo], code: str, title: str, why: str) -> Finding:
    """One finding on many sensors: what they share is at fault, not each of them."""
    return Finding(
        code=code,
        subject=group_subject(case, code, group),
        severity=Severity.ADVICE,
        title=title,
        action=(
            f"{why}: {names_of(group)}. Check what they share: the board and its power, water in "
            "a plug, a wrong unit in their route. Until then their readings don't count for "
            f"{_what(group)}."
        ),
        evidence=tuple(map(_evidence, group[:NAMES_SHOWN])),
        hazards=(Hazard.MAINS,),
        confidence=0.85,
        since=from_us(min(one.last.time_us for one in group)),
    )


def _what(group: Sequence[SeriesInfo]) -> str:
    """What advice rests on these sensors."""
    return listed(sorted({RESTS_ON.get(one.key.quantity, one.key.quantity) for one in group}))


def _evidence(one: SeriesInfo) -> Evidence:
    return Evidence(
        "newest reading", one.key.quantity, one.last.value, "",
        time=from_us(one.last.time_us), source=f"sensor {one.key.sensor}",
    )  # fmt: skip


STUCK_RULE = Rule(STUCK_CODE, "a sensor's readings no longer move", judge_stuck,
                  settling=timedelta(days=2))  # fmt: skip
IMPLAUSIBLE_RULE = Rule(IMPLAUSIBLE_CODE, "a sensor sends impossible values", judge_implausible,
                        settling=timedelta(days=2))  # fmt: skip
