"""Instructions: their cautions, and the plain text and numbers that forms without JSON show.

Pages, sheets, calendars, messages and the command line take the words of a recommendation or a task
from an ``Instruction``, which cannot be made without its cautions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from service.advice.cautions import cautions_for
from service.advice.engine.recommendation import Amount, Finding, Instruction, Severity
from service.advice.engine.work import Hazard
from service.registry.models.tank import Tank

_LITRE: Final = "L"
_MILLILITRE: Final = "mL"
HOT_WATER: Final = "hot water"
"""Name of the amount that comes from the hot tap."""


def completed(finding: Finding, tank: Tank, contact: str) -> Finding:
    """A rule's finding with the cautions that belong to it, and whom to call where it is urgent."""
    hazards = (*finding.hazards, *hazards_of(finding.amounts))
    urgent = finding.severity is Severity.URGENT
    return replace(finding, cautions=cautions_for(hazards, tank), contact=contact if urgent else "")


def hazards_of(amounts: Iterable[Amount]) -> tuple[Hazard, ...]:
    """What measured amounts mean, whatever the rule: litres are new water, millilitres a dose."""
    found = []
    for one in amounts:
        if one.unit == _LITRE:
            found.append(Hazard.HOT_WATER if one.name == HOT_WATER else Hazard.NEW_WATER)
        elif one.unit == _MILLILITRE:
            found.append(Hazard.CHEMICALS)
    return tuple(found)


def text_of(one: Instruction) -> str:
    """An instruction as plain text of several lines: what to do, why, what to mind."""
    lines = [one.action]
    if one.reasons:
        lines += ["", "Why:", *(f"- {reason.text}" for reason in one.reasons)]
    if one.cautions:
        lines += ["", "Before you start:", *(f"- {caution}" for caution in one.cautions)]
    return "\n".join(lines)


def line_of(one: Instruction) -> str:
    """An instruction as one line: title, what to do, what to mind."""
    return " ".join([f"{one.title}: {one.action}", *one.cautions])


class NumberedCautions:
    """The cautions of several instructions on one page, each once, with a number to refer to."""

    def __init__(self, instructions: Iterable[Instruction]) -> None:
        """Number the cautions in the order in which they come."""
        texts = dict.fromkeys(text for one in instructions for text in one.cautions)
        self._numbers = {text: number for number, text in enumerate(texts, start=1)}

    @property
    def texts(self) -> tuple[str, ...]:
        """All of them, by number from 1."""
        return tuple(self._numbers)

    def numbers(self, one: Instruction) -> tuple[int, ...]:
        """The numbers of an instruction's cautions.

        Raises:
            KeyError: the instruction was not among those given; it must not be shown.
        """
        return tuple(sorted(self._numbers[text] for text in one.cautions))
