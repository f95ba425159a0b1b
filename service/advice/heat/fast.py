"""Temperature changes faster than animals should see."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice import cautions
from service.advice.care_log import newest
from service.advice.practice import COMMON_PRACTICE
from service.advice.recommendation import Amount, Evidence, Finding, Severity
from service.advice.rule import Case, Rule
from service.tanks.values import LogKind

CODE = "temperature-fast"
SHORTLY = timedelta(hours=2)


def judge(case: Case) -> Iterator[Finding]:
    """Speak when the rate over the last hour is too fast, with what may be behind it."""
    found = case.view.temperature
    if found.rate_k_h is None or found.reading is None or not case.tank.livestock:
        return
    most = case.limit("temperature_rate_max_c_h")
    rate = abs(found.rate_k_h)
    if rate <= (0.6 * most if case.stands(CODE) else most):
        return
    change = newest(case, LogKind.WATER_CHANGE)
    by_change = change is not None and case.now - change.time <= SHORTLY
    rising = found.rate_k_h > 0
    cause = (
        "A water change was just logged: match the new water better next time, and let the rest "
        "even out by itself."
        if by_change
        else (
            "Check that the heater has not stuck on and that no sun falls on the tank."
            if rising
            else "Check that the heater is on, the lid is shut and no cold water runs in."
        )
    )
    yield Finding(
        code=CODE,
        severity=Severity.WARNING if rate > 2 * most and not by_change else Severity.ADVICE,
        title=f"Temperature {'rises' if rising else 'falls'} by {rate:.1f} K per hour",
        action=f"{cause} Animals stand slow changes better: no more than {most:g} K per hour.",
        evidence=(
            Evidence(
                "rate over the last hour", "temperature-rate", found.rate_k_h, "K/h", most,
                case.now, f"sensor {found.reading.sensor}; {COMMON_PRACTICE}",
            ),
        ),
        amounts=(Amount("rate", found.rate_k_h, "K/h"),),
        due=case.now,
        cautions=(cautions.ANIMALS, cautions.MAINS),
        confidence=0.75,
        since=case.now - timedelta(hours=1),
    )  # fmt: skip


RULE = Rule(CODE, "temperature changes too fast for animals", judge)
