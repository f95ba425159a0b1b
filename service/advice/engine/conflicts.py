"""Conflicts between findings: of two that contradict each other one is left out."""

from __future__ import annotations

from collections.abc import Sequence

from service.advice.engine.levers import SAFER, Move
from service.advice.engine.recommendation import Finding


def without_contradictions(findings: Sequence[Finding]) -> list[Finding]:
    """The findings without those that a more severe or a safer one contradicts, in their order."""
    set_aside: set[int] = set()
    moving = [(i, one) for i, one in enumerate(findings) if one.moves or one.refuses]
    for at, (i, one) in enumerate(moving):
        for j, other in moving[at + 1 :]:
            move = contradiction(one, other)
            if move and i not in set_aside and j not in set_aside:
                set_aside.add(j if _rank(one, move) >= _rank(other, move) else i)
    return [one for i, one in enumerate(findings) if i not in set_aside]


def contradiction(one: Finding, other: Finding) -> Move | None:
    """What one moves and the other moves the other way, or refuses; None: nothing."""
    for mover, against in ((one, other), (other, one)):
        for move in mover.moves:
            if move.opposite in against.moves or move in against.refuses:
                return move
    return None


def _rank(finding: Finding, move: Move) -> tuple[int, bool]:
    """Severity first; then who would move the lever the safer way, or not at all."""
    moves_it = next((one for one in finding.moves if one.lever is move.lever), None)
    return finding.severity, moves_it is None or moves_it in SAFER
