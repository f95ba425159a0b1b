"""The forms of a link's page: one for each task, one for a note; and what was refused."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from service.advice.handover.ticks import AskedNumber, Tick
from service.advice.phrases import measured
from service.api.resources.handover.reporting import OfferedTick
from service.errors import LittoralError
from service.registry.repositories.log.pictures import FIELD
from service.schemas.entry import UNIT_WORDS

NUMBER: Final = "number"
NOTE: Final = "note"
PICTURE: Final = FIELD


def new_key() -> str:
    """A fresh key of a report, so that it is taken once however often it is sent."""
    return secrets.token_urlsafe(12)


@dataclass(frozen=True, slots=True)
class Refused:
    """A form that was refused: it is shown again with what was written in it.

    Attributes:
        task: the signed tick that it was for.
        given: what was written, by the names of the inputs.
        error: why it was refused.
    """

    task: str
    given: Mapping[str, str]
    error: LittoralError

    def fault(self, name: str, label: str) -> str:
        """What is wrong with one of the inputs; "" for nothing."""
        for one in self.error.faults:
            if one.pointer.split("/")[1:2] == [name]:
                return one.renamed(one.pointer, label).detail
        return ""

    @property
    def other(self) -> str:
        """What is wrong with none of the inputs; "" for nothing."""
        own = any(self.fault(name, "") for name in (NUMBER, NOTE, PICTURE))
        return "" if own else self.error.detail


@dataclass(frozen=True, slots=True)
class ReportForm:
    """A form that reports one thing.

    Attributes:
        task: the signed tick.
        refused: what came of it before, where that was no report.
        key: goes with the report, so that it is taken once however often it is sent.
    """

    task: str
    tick: Tick
    refused: Refused | None = None
    key: str = field(default_factory=new_key)

    @property
    def asked(self) -> AskedNumber | None:
        """The number that it asks for."""
        return self.tick.number

    @property
    def label(self) -> str:
        """What the number is, with its unit: ``Water changed, L``."""
        asked = self.asked
        return "" if asked is None else f"{asked.label}, {UNIT_WORDS.get(asked.unit, asked.unit)}"

    @property
    def number(self) -> str:
        """What stands in the input: what was written before, or what the sheet says."""
        return self.tick_number if self.refused is None else self.refused.given.get(NUMBER, "")

    @property
    def tick_number(self) -> str:
        """The number of the sheet as the input shows it; "" for none."""
        asked = self.asked
        return "" if asked is None or asked.value is None else measured(asked.value, asked.unit)

    @property
    def most(self) -> str:
        """The largest number that makes sense; "" where none is known."""
        asked = self.asked
        return "" if asked is None or asked.most is None else f"{asked.most:g}"

    @property
    def note(self) -> str:
        """What was written as a note."""
        return "" if self.refused is None else self.refused.given.get(NOTE, "")

    @property
    def number_fault(self) -> str:
        """What is wrong with the number."""
        return "" if self.refused is None else self.refused.fault(NUMBER, self.label)

    @property
    def picture_fault(self) -> str:
        """What is wrong with a picture."""
        return "" if self.refused is None else self.refused.fault(PICTURE, "A picture")

    @property
    def note_fault(self) -> str:
        """What is wrong with the note."""
        return "" if self.refused is None else self.refused.fault(NOTE, "The note")


@dataclass(frozen=True, slots=True)
class Line:
    """A task on the page, with its form; None where only the tank keeper logs it."""

    offered: OfferedTick
    form: ReportForm | None
