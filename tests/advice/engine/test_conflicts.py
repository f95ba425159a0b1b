"""Conflicts between findings: which of two that contradict each other is left out."""

from __future__ import annotations

from service.advice.engine.conflicts import without_contradictions
from service.advice.engine.levers import (
    GAS_EARLIER,
    LESS_GAS,
    LONGER_LIGHT,
    MORE_GAS,
    SHORTER_LIGHT,
    Move,
)
from service.advice.engine.recommendation import Finding, Severity

ADVICE, WARNING = Severity.ADVICE, Severity.WARNING


def finding(code: str, severity: Severity, *moves: Move, refuses: tuple[Move, ...] = ()) -> Finding:
    return Finding(code, severity, code, code, (), moves=moves, refuses=refuses)


def test_of_two_that_contradict_the_more_severe_stays_then_the_safer() -> None:
    up, down = finding("up", WARNING, MORE_GAS), finding("down", ADVICE, LESS_GAS)
    assert without_contradictions([down, up]) == [up]
    down = finding("down", WARNING, LESS_GAS)
    assert without_contradictions([up, down]) == [down]
    other = finding("other", ADVICE, LONGER_LIGHT)
    assert without_contradictions([up, other, down]) == [other, down]
    both = [finding("a", ADVICE, GAS_EARLIER), finding("b", ADVICE, LESS_GAS)]
    assert without_contradictions(both) == both


def test_what_is_to_be_left_alone_is_not_moved() -> None:
    """The more severe stays; of two alike the one that leaves the lever alone."""
    leave = finding("leave", ADVICE, GAS_EARLIER, refuses=(MORE_GAS, LESS_GAS))
    opened = finding("open", ADVICE, MORE_GAS)
    assert without_contradictions([opened, leave]) == [leave]
    assert without_contradictions([leave, opened]) == [leave]
    urgent = finding("close", Severity.URGENT, LESS_GAS)
    assert without_contradictions([leave, urgent]) == [urgent]
    no_more = finding("doubt", ADVICE, refuses=(MORE_GAS,))
    assert without_contradictions([no_more, urgent]) == [no_more, urgent]
    warmth = finding("warm", ADVICE, SHORTER_LIGHT, refuses=(MORE_GAS,))
    assert without_contradictions([finding("low", WARNING, MORE_GAS), warmth])[0].code == "low"
