"""What a trial moves: levers, which way, and the plans before and after."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from service.advice.engine.levers import (
    COOLER,
    GAS_EARLIER,
    GAS_LATER,
    LESS_DOSE,
    LESS_GAS,
    LONGER_LIGHT,
    MORE_DOSE,
    MORE_GAS,
    SAFER,
    SHORTER_LIGHT,
    STRONGER_LIGHT,
    WARMER,
    WEAKER_LIGHT,
    Move,
    Way,
)
from service.registry.log.adjustments import undone
from service.registry.models.log import Lever, LogEntry, LogKind
from service.registry.models.plans import GasPlan
from service.registry.models.tank import Tank
from service.registry.models.trials import Plans, Trial

_FAMILIES: Final = (
    frozenset({Lever.GAS_FLOW, Lever.GAS_TIMES}),
    frozenset({Lever.LIGHT_HOURS, Lever.LIGHT_STRENGTH}),
)
"""Levers that move the same thing in the water."""

_WORDS: Final = (
    (Lever.GAS_FLOW, "more", MORE_GAS),
    (Lever.GAS_FLOW, "less", LESS_GAS),
    (Lever.GAS_TIMES, "earlier", GAS_EARLIER),
    (Lever.GAS_TIMES, "later", GAS_LATER),
    (Lever.LIGHT_HOURS, "longer", LONGER_LIGHT),
    (Lever.LIGHT_HOURS, "shorter", SHORTER_LIGHT),
    (Lever.LIGHT_STRENGTH, "stronger", STRONGER_LIGHT),
    (Lever.LIGHT_STRENGTH, "weaker", WEAKER_LIGHT),
    (Lever.DOSE, "more", MORE_DOSE),
    (Lever.DOSE, "less", LESS_DOSE),
)
"""Words by which an entry says which way it went."""


def plans_before(tank: Tank, entries: Sequence[LogEntry]) -> Plans | None:
    """The plans before the adjustments of a change; None where no plan was changed.

    Args:
        tank: as it is after them.
        entries: oldest first.
    """
    found: Tank | None = None
    for entry in reversed(entries):
        if entry.kind is LogKind.ADJUSTMENT:
            found = undone(found or tank, entry.data) or found
    return None if found is None else Plans.of(found)


def levers_of(entries: Sequence[LogEntry], before: Plans | None, after: Plans | None) -> list[str]:
    """What a change moved, as ``gas-times:earlier``; the lever alone where the way is not known."""
    moves = [] if before is None or after is None else list(_moves(before, after))
    found = [str(one) for one in moves]
    for entry in entries:
        if entry.kind is not LogKind.ADJUSTMENT:
            continue
        lever = Lever(entry.data["lever"])
        if any(one.lever is lever for one in moves):
            continue
        said = str(entry.data.get("after", "")).split()
        ways = [str(move) for each, word, move in _WORDS if each is lever and word in said]
        found += ways or [lever.value]
    return list(dict.fromkeys(found))


def _moves(before: Plans, after: Plans) -> Iterator[Move]:
    if before.gas != after.gas:
        yield from _of_gas(before.gas, after.gas)
    hours = after.light.photoperiod_h - before.light.photoperiod_h
    if hours:
        yield LONGER_LIGHT if hours > 0 else SHORTER_LIGHT
    if before.heated != after.heated:
        yield WARMER if after.heated else COOLER
    amounts = [
        sum((one.ml_per_100_l or 0.0) + (one.g_per_100_l or 0.0) for one in plans.doses)
        for plans in (before, after)
    ]
    if amounts[0] != amounts[1]:
        yield MORE_DOSE if amounts[1] > amounts[0] else LESS_DOSE


def _of_gas(before: GasPlan, after: GasPlan) -> Iterator[Move]:
    if before.start and after.start and before.start != after.start:
        yield GAS_EARLIER if after.start < before.start else GAS_LATER


def undoes(move: Move, trial: Trial) -> bool:
    """Whether a move takes back what a trial tries: the same lever, the other way or any."""
    for lever, way in _ways(trial):
        if move.lever is lever and (way is None or move.way is way.opposite):
            return True
    return False


def puts_animals_first(move: Move, trial: Trial) -> bool:
    """Whether a move for an animal's sake speaks against a trial: also by another lever."""
    for lever, way in _ways(trial):
        related = move.lever is lever or any({move.lever, lever} <= one for one in _FAMILIES)
        if not related:
            continue
        if way is None or (move in SAFER) != (Move(lever, way) in SAFER):
            return True
    return False


def _ways(trial: Trial) -> Iterator[tuple[Lever, Way | None]]:
    for one in trial.levers:
        lever, _, way = one.partition(":")
        yield Lever(lever), Way(way) if way else None
