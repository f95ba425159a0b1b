"""What a recommendation asks somebody to measure out, and whether that has changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from service.advice.engine.recommendation import Finding

AMOUNT_MOVES: Final = 0.2
"""Water, a dose or a salt that differs by less than this share of what is measured out altogether
is no change. Our choice."""

MEASURED_OUT: Final = frozenset({"L", "mL", "g"})
"""Units of what a person measures out; other amounts describe what was seen."""

Measured = Mapping[str, Mapping[str, float]]
"""Value by name by unit."""


def measured_out(finding: Finding) -> dict[str, dict[str, float]]:
    """Amounts to measure out, as a JSON document."""
    found: dict[str, dict[str, float]] = {}
    for one in finding.amounts:
        if one.unit in MEASURED_OUT and not one.estimated:
            found.setdefault(one.unit, {})[one.name] = one.value
    return found


def amounts_moved(last: Measured, present: Measured) -> bool:
    """Whether somebody would measure out something else."""
    return any(_moves(last, present))


def amounts_less(last: Measured, present: Measured) -> bool:
    """Whether somebody would measure out less of something, and not more of anything."""
    moves = list(_moves(last, present))
    return bool(moves) and all(one < 0 for one in moves)


def _moves(last: Measured, present: Measured) -> Iterator[float]:
    """By how much the amounts that changed are more than before."""
    for unit in {*last, *present}:
        one, other = last.get(unit, {}), present.get(unit, {})
        most = max([*one.values(), *other.values()])
        for name in {*one, *other}:
            more = other.get(name, 0.0) - one.get(name, 0.0)
            if abs(more) > AMOUNT_MOVES * most:
                yield more
