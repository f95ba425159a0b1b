"""The form of a tank in its sections, with what is stored, what was typed and what was refused."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Final

from marshmallow import ValidationError

from service.api.resources.tanks.schemas import TankSchema
from service.errors import FieldFault, InvalidInputError, LittoralError
from service.pages.settings.drawing import TankDrawing
from service.pages.settings.form import Making, members_of, nodes_of
from service.pages.settings.plan_strip import PlanStrip
from service.pages.settings.previews import (
    DoseEffect,
    SpeciesNote,
    dose_effects,
    drawing_of,
    net_volume_of,
    species_notes,
    strip_of,
)
from service.pages.settings.questions import (
    Group,
    Node,
    Question,
    Rows,
    questions_in,
)
from service.pages.settings.reading import Reading, pointer_of, read_form
from service.pages.settings.sections import ELSEWHERE, SECTIONS, Section, is_rare, section_of
from service.pages.settings.shown_units import unit_of
from service.registry.models.tank import Tank
from service.schemas.messages import faults_in

TANK: Final = TankSchema()
_MOST_IN_SUMMARY: Final = 4


@dataclass(frozen=True, slots=True)
class SectionForm:
    """One section of the form.

    Attributes:
        rare: questions that are folded.
        summary: what is stored, in a few words.
        open: shown unfolded.
        faulty: something in it was refused.
        rare_faulty: something that is folded was.
    """

    section: Section
    nodes: tuple[Node, ...]
    rare: tuple[Node, ...] = ()
    summary: str = ""
    open: bool = False
    faulty: bool = False
    rare_faulty: bool = False

    @property
    def all_nodes(self) -> tuple[Node, ...]:
        """All questions."""
        return (*self.nodes, *self.rare)


@dataclass(frozen=True, slots=True)
class TankForm:
    """The whole form, or the sections of it that are shown.

    Attributes:
        faults: name of a question -> what is wrong with it.
        others: what is wrong that belongs to no question.
        body: JSON as far as it can be read, for what is drawn beside it.
        notes: name of a row -> what is known of its species.
    """

    sections: tuple[SectionForm, ...]
    faults: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    others: tuple[str, ...] = ()
    body: Mapping[str, Any] = field(default_factory=dict)
    notes: Mapping[str, SpeciesNote] = field(default_factory=dict)

    @property
    def drawing(self) -> TankDrawing | None:
        """The tank, drawn; None while its dimensions are not all there."""
        return drawing_of(self.body)

    @property
    def strip(self) -> PlanStrip | None:
        """The planned day; None while a time is none."""
        return strip_of(self.body)

    @property
    def doses(self) -> tuple[DoseEffect, ...]:
        """What each dose adds."""
        return dose_effects(self.body)

    @property
    def net_volume_l(self) -> float | None:
        """Net volume, L; None where not known."""
        return net_volume_of(self.body)


@cache
def asked_in(schema: TankSchema, section: Section, new: bool, rare: bool) -> frozenset[str]:
    """The members that a section asks for, and what they are members of.

    Args:
        new: also the id.
        rare: those that are folded, or the others.
    """
    found = set()
    for member in members_of(schema):
        asked = section_of(member) is section and (new or member != "id")
        if asked and member not in ELSEWHERE and is_rare(member) is rare:
            parts = member.split("/")
            found |= {"/".join(parts[:count]) for count in range(1, len(parts) + 1)}
    return frozenset(found)


def sections_of(
    stored: Mapping[str, Any], given: Mapping[str, str], sections: Sequence[Section], *, new: bool
) -> list[SectionForm]:
    """Some sections with their questions, but for those that have none.

    Args:
        new: also the id is asked, which does not change later.
    """
    found = []
    for section in sections:
        usual, rare = (
            nodes_of(TANK, stored, Making(given, unit_of, asked.__contains__))
            for asked in (asked_in(TANK, section, new, rare) for rare in (False, True))
        )
        if usual or rare:
            found.append(SectionForm(section, usual, rare))
    return found


def nodes_in(sections: Iterable[SectionForm]) -> tuple[Node, ...]:
    """All questions of some sections."""
    return tuple(node for one in sections for node in one.all_nodes)


def tank_form(
    stored: Mapping[str, Any],
    given: Mapping[str, str],
    *,
    open_at: str = "",
    error: LittoralError | None = None,
    reading: Reading | None = None,
    new: bool = False,
    sections: Sequence[Section] = SECTIONS,
) -> TankForm:
    """The form of a tank.

    Args:
        stored: JSON of the tank; empty for a new one.
        given: what was typed; empty at first.
        open_at: key of the section that is shown unfolded.
        error: why nothing was saved.
        reading: what was read of ``given``.
    """
    found = sections_of(stored, given, sections, new=new)
    everything = nodes_in(found)
    reading = reading or read_form(everything, given, stored)
    faults, others = _placed(everything, error, reading)
    notes = {one.row: one for one in species_notes(reading.body, reading.rows)}
    forms = []
    for one in found:
        faulty = any(asked.name in faults for asked in questions_in(one.all_nodes))
        rare_faulty = any(asked.name in faults for asked in questions_in(one.rare))
        is_open = faulty or one.section.key == open_at or (new and one.section.first)
        forms.append(
            replace(
                one,
                summary=_summary(one.nodes, stored),
                open=is_open,
                faulty=faulty,
                rare_faulty=rare_faulty,
            )
        )
    return TankForm(tuple(forms), faults, others, reading.body, notes)


def tank_of(reading: Reading) -> Tank:
    """The tank that a form says.

    Raises:
        InvalidInputError: names every wrong field, at pointers of the form.
    """
    faults = list(reading.faults)
    known = {fault.pointer for fault in faults}
    tank: Tank | None = None
    try:
        tank = TANK.load(reading.body)
    except ValidationError as error:
        found = (_in_form(fault, reading) for fault in faults_in(error.messages))
        faults += [fault for fault in found if fault.pointer not in known]
    if faults or tank is None:
        raise InvalidInputError.of(faults)
    return tank


def in_form(error: InvalidInputError, reading: Reading) -> InvalidInputError:
    """The error of a check with the pointers of the form."""
    return InvalidInputError.of([_in_form(fault, reading) for fault in error.faults])


def _in_form(fault: FieldFault, reading: Reading) -> FieldFault:
    pointer = reading.in_form(fault.pointer)
    detail = fault.detail.replace(fault.pointer, pointer, 1)
    return FieldFault(pointer, detail, fault.value, fault.allowed)


def _placed(
    nodes: Sequence[Node], error: LittoralError | None, reading: Reading
) -> tuple[dict[str, tuple[str, ...]], tuple[str, ...]]:
    """The faults by question, and those that belong to none."""
    if error is None:
        return {}, ()
    if not error.faults:
        return {}, (error.detail,)
    by_pointer = {pointer_of(one.path): one for one in questions_in(nodes)}
    faults: dict[str, list[str]] = {}
    others = []
    for fault in error.faults:
        question = _asked_at(fault.pointer, by_pointer)
        if question is None:
            others.append(fault.detail)
        else:
            words = fault.renamed(fault.pointer, question.label).detail
            words = words.replace(fault.pointer, question.label, 1)
            faults.setdefault(question.name, []).append(words)
    return {name: tuple(dict.fromkeys(texts)) for name, texts in faults.items()}, tuple(others)


def _asked_at(pointer: str, questions: Mapping[str, Question]) -> Question | None:
    """The question that a pointer is of, or of something inside of it."""
    while pointer:
        if pointer in questions:
            return questions[pointer]
        pointer = pointer.rpartition("/")[0]
    return None


def _summary(nodes: Sequence[Node], stored: Mapping[str, Any]) -> str:
    """What is stored, in a few words."""
    words: list[str] = []
    for node in nodes:
        if isinstance(node, Rows):
            words += [_row_words(row) for row in node.rows if row.removable]
        else:
            words += [text for one in questions_in((node,)) if (text := _words(one))]
    rest = len(words) - _MOST_IN_SUMMARY
    return " · ".join(words[:_MOST_IN_SUMMARY]) + (f" · {rest} more" if rest > 0 else "")


def _row_words(row: Group) -> str:
    texts = {one.path[-1]: one.shown(one.unit)[0] for one in questions_in(row.nodes)}
    first = next(iter(texts.values()), "")
    return f"{texts['count']} {first}" if texts.get("count") else first


def _words(question: Question) -> str:
    texts = question.shown(question.unit)
    if not any(texts) or question.widget == "area":
        return ""
    unit = (question.units or {}).get(question.unit, "")
    words = "–".join(texts) if len(texts) > 1 else texts[0]
    return f"{question.label} {words}{' ' if unit else ''}{unit}"
