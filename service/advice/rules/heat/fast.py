"""Rule `temperature-fast`: temperature changes faster than animals should see.

Judges the rate over the last hour. Clears when it is below 0.6 of the threshold.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.care_log import newest
from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.registry.models.log import LogKind

CODE = "temperature-fast"
SHORTLY = timedelta(hours=2)


def judge(case: Case) -> Iterator[Finding]:
    """One finding when the rate over the last hour is too fast, with what may be behind it."""
    found = case.view.temperature
    if found.rate_k_h is None or found.reading is None or not case.tank.animals:
        return
    most = case.limit("temperature_rate_max_c_h")
    rate = abs(found.rate_k_h)
    if rate <= case.eased(most, 0.6, CODE):
        return
    change = newest(case, LogKind.WATER_CHANGE)
    by_change = change is not None and case.now - change.time <= SHORTLY
    rising = found.rate_k_h > 0
    yield Finding(
        code=CODE,
        severity=Severity.WARNING if rate > 2 * most and not by_change else Severity.ADVICE,
        title=f"Temperature {'rises' if rising else 'falls'} by {rate:.1f} °C per hour",
        action=(
            f"{_cause(case, rising, by_change)} Animals bear slow changes better: no more than "
            f"{most:g} °C per hour."
        ),
        evidence=(
            Evidence(
                "rate over the last hour", "temperature-rate", found.rate_k_h, "K/h", most,
                case.now, f"sensor {found.reading.sensor}; {COMMON_PRACTICE}",
            ),
        ),
        amounts=(Amount("rate", found.rate_k_h, "K/h"),),
        due=case.now,
        hazards=(Hazard.ANIMALS, Hazard.MAINS),
        confidence=0.75,
        since=case.now - timedelta(hours=1),
    )  # fmt: skip


def _cause(case: Case, rising: bool, by_change: bool) -> str:
    """What may be behind it; never against what brings temperature back into its range."""
    if by_change:
        return (
            "A water change was just logged: match the new water better next time, and let the "
            "rest even out by itself."
        )
    if _returning(case, rising):
        return (
            "It is on its way back into its range: slow it down, by doing less of what was done to "
            f"{'warm' if rising else 'cool'} it."
        )
    heated = case.tank.heated
    if rising:
        heater = "the heater has not stuck on and that " if heated else ""
        return f"Check that {heater}no sun falls on the tank."
    heater = "the heater is on, " if heated else ""
    return f"Check that {heater}the lid is shut and no cold water runs in."


def _returning(case: Case, rising: bool) -> bool:
    """Whether temperature lies outside its range and moves towards it."""
    found = case.view.temperature
    if found.reading is None:
        return False
    limit_c = found.tolerable.end_c("below" if rising else "above")
    if limit_c is None:
        return False
    return found.reading.value < limit_c if rising else found.reading.value > limit_c


RULE = Rule(CODE, "temperature changes too fast for animals", judge)
