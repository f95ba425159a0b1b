"""Conflicts between findings: of two that contradict each other one is left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from service.advice.engine.recommendation import Finding

OPPOSITE: Final = {"raise": "lower", "lower": "raise", "earlier": "later", "later": "earlier"}

SAFER_WAY: Final = {"co2": "lower", "heat": "lower", "light": "lower", "gas": "later"}
"""The direction that is preferred where both are asked for with equal severity: less CO2, less
heat and less light put no animal at risk, more of them may."""


def without_contradictions(findings: Sequence[Finding]) -> list[Finding]:
    """The findings without those that a more severe or a safer one contradicts, in their order."""
    set_aside: set[int] = set()
    moving = [(i, one) for i, one in enumerate(findings) if one.moves]
    for at, (i, one) in enumerate(moving):
        for j, other in moving[at + 1 :]:
            thing = contradiction(one, other)
            if thing and i not in set_aside and j not in set_aside:
                set_aside.add(j if _rank(one, thing) >= _rank(other, thing) else i)
    return [one for i, one in enumerate(findings) if i not in set_aside]


def contradiction(one: Finding, other: Finding) -> str:
    """What the two move both ways, such as ``co2``; "" if nothing."""
    for move in one.moves:
        thing, way = move.split(":")
        if f"{thing}:{OPPOSITE[way]}" in other.moves:
            return thing
    return ""


def _rank(finding: Finding, thing: str) -> tuple[int, bool]:
    return finding.severity, f"{thing}:{SAFER_WAY[thing]}" in finding.moves
