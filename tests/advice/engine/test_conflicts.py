"""Conflicts between findings: which of two that contradict each other is left out."""

from __future__ import annotations

from service.advice.engine.conflicts import without_contradictions
from service.advice.engine.recommendation import Finding, Severity


def finding(code: str, severity: Severity, *moves: str) -> Finding:
    return Finding(code, severity, code, code, (), moves=moves)


def test_of_two_that_contradict_the_more_severe_stays_then_the_safer() -> None:
    advice, warning = Severity.ADVICE, Severity.WARNING
    up, down = finding("up", warning, "co2:raise"), finding("down", advice, "co2:lower")
    assert without_contradictions([down, up]) == [up]
    down = finding("down", warning, "co2:lower")
    assert without_contradictions([up, down]) == [down]
    other = finding("other", advice, "light:raise")
    assert without_contradictions([up, other, down]) == [other, down]
    assert (
        without_contradictions(
            [finding("a", advice, "gas:earlier"), finding("b", advice, "co2:lower")]
        )
        != []
    )
