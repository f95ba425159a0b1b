"""Advice does not argue with a running trial, unless an animal's limit is touched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from service.advice.engine.recommendation import Finding, Severity
from service.advice.rules.co2 import high as co2_high
from service.advice.rules.heat import coming, cooling, out_of_range, oxygen
from service.advice.rules.observed import animals
from service.advice.trials.tried import puts_animals_first, undoes
from service.derive.models.tank_view import TankView
from service.registry.models.trials import Trial

FOR_ANIMALS: Final = frozenset(
    {
        co2_high.CODE,
        oxygen.CODE,
        out_of_range.CODE,
        coming.CODE,
        cooling.CODE,
        animals.GASPING,
        animals.LOST,
    }
)
"""Rules whose warnings say that an animal's limit is touched, or is about to be. What is urgent
does so whatever its rule."""


@dataclass(frozen=True, slots=True)
class Held:
    """What running trials make of the findings of one evaluation.

    Attributes:
        findings: those that are given.
        waiting: by id of a trial, those that it holds.
        broken: by id of a trial, the finding for an animal's sake that breaks it off.
    """

    findings: tuple[Finding, ...]
    waiting: dict[str, list[Finding]] = field(default_factory=dict)
    broken: dict[str, Finding] = field(default_factory=dict)


def held_back(findings: Sequence[Finding], trials: Sequence[Trial], view: TankView) -> Held:
    """Leave out what would undo what is tried; find what breaks a trial off.

    Args:
        trials: of this tank, running.
    """
    waiting: dict[str, list[Finding]] = {}
    broken: dict[str, Finding] = {}
    for trial in trials:
        for one in findings:
            if _is_for_animals(one, view) and _against(one, trial):
                broken.setdefault(trial.id, one)
    going_on = [one for one in trials if one.id not in broken]
    kept = []
    for one in findings:
        holding = [each for each in going_on if _is_held(one, each, view)]
        for trial in holding:
            waiting.setdefault(trial.id, []).append(one)
        if not holding:
            kept.append(one)
    return Held(tuple(kept), waiting, broken)


def _is_for_animals(one: Finding, view: TankView) -> bool:
    """Whether a finding says that an animal's limit is touched."""
    if not view.tank.animals:
        return False
    least = Severity.WARNING if one.code in FOR_ANIMALS else Severity.URGENT
    return one.severity >= least


def _against(one: Finding, trial: Trial) -> bool:
    return any(puts_animals_first(move, trial) for move in one.moves)


def _is_held(one: Finding, trial: Trial, view: TankView) -> bool:
    if _is_for_animals(one, view):
        return False
    return any(undoes(move, trial) for move in one.moves)
