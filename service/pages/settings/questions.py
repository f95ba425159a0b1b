"""What a form asks: one question per field of the table of fields, in nested groups and rows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from typing import Any, Final

import marshmallow as ma

from service.schemas.base import Schema, ValueSchema
from service.schemas.entry import UNIT_WORDS, is_number, json_of, label_of, range_of, units_of
from service.schemas.fields import Choice, Field, Text, YesNo
from service.schemas.ranges import Range
from service.schemas.times import Day, TimeOfDay, TimeZone
from service.schemas.written import end_texts, text_of

Path = tuple[str | int, ...]

LEFT_TO_DEFAULT: Final = object()
"""What an empty input of a field means that cannot be null: the member is left out."""


@dataclass(frozen=True, slots=True)
class Box:
    """One input: its name, what is in it, and what it is called beside its question's label."""

    name: str
    text: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """A field that is asked for.

    Attributes:
        path: of the member in the JSON; indexes of lists as in the form.
        read: makes the JSON of the texts and the unit.
        shown: what is stored, as texts in a unit.
        empty: what the member is when all is left empty.
        widget: ``text``, ``number``, ``date``, ``time``, ``select`` or ``area``.
        choices: value and words of each, where there are only these.
        unit: in which it is shown.
        units: unit -> words, where it can be chosen.
        usual: what holds when it is left empty.
        offers: name of the list that offers words: ``animals``, ``plants``, ``zones``; "": none.
    """

    path: Path
    label: str
    help: str
    boxes: tuple[Box, ...]
    read: Callable[[Sequence[str], str], Any]
    shown: Callable[[str], tuple[str, ...]]
    empty: Any = LEFT_TO_DEFAULT
    widget: str = "text"
    choices: tuple[tuple[str, str], ...] = ()
    unit: str = ""
    units: Mapping[str, str] | None = None
    required: bool = False
    usual: str = ""
    offers: str = ""

    @property
    def name(self) -> str:
        """The name of the question in the form: ``animals.0.count``."""
        return name_of(self.path)

    @property
    def unit_name(self) -> str:
        """The name of the input for its unit."""
        return f"{self.name}_unit"


OWN_LIMITS: Final = "its own limits"


@dataclass(frozen=True, slots=True)
class Group:
    """Questions that belong together.

    Attributes:
        may_be_null: all of them left empty mean that there is nothing.
        removable: a row of a list that is stored.
        folded: questions that are rarely asked; ``folded_label`` is what they are called.
    """

    path: Path
    label: str
    help: str
    nodes: tuple[Node, ...]
    may_be_null: bool = False
    removable: bool = False
    folded: tuple[Node, ...] = ()
    folded_label: str = OWN_LIMITS

    @property
    def name(self) -> str:
        """The name of the group in the form."""
        return name_of(self.path)


@dataclass(frozen=True, slots=True)
class Rows:
    """A list: a group for each item, the last for one more."""

    path: Path
    label: str
    help: str
    rows: tuple[Group, ...]

    @property
    def name(self) -> str:
        """The name of the list in the form."""
        return name_of(self.path)


Node = Question | Group | Rows


def name_of(path: Path) -> str:
    """A path as the name of an input."""
    return ".".join(map(str, path))


def questions_in(nodes: Sequence[Node]) -> Iterator[Question]:
    """All questions, whatever they are in."""
    for node in nodes:
        if isinstance(node, Question):
            yield node
        elif isinstance(node, Group):
            yield from questions_in((*node.nodes, *node.folded))
        else:
            yield from questions_in(node.rows)


def groups_in(nodes: Sequence[Node]) -> Iterator[Group]:
    """All groups, rows among them, whatever they are in."""
    for node in nodes:
        if isinstance(node, Question):
            continue
        if isinstance(node, Group):
            yield node
            yield from groups_in((*node.nodes, *node.folded))
        else:
            yield from groups_in(node.rows)


def question_of(
    path: Path,
    field: Field,
    value: Any,
    unit_of: Callable[[tuple[str, ...]], str],
    *,
    schema: Schema | None = None,
    usual: Any = None,
) -> Question:
    """The question for one field.

    Args:
        value: that is stored, as JSON; None: none.
        unit_of: which of some units to show.
        schema: that the field is in, for the labels that its help names.
        usual: JSON of what holds when it is left empty.
    """
    units = units_of(field)
    unit = unit_of(units) if units else ""
    choices = _choices(field)
    if choices and value is None:
        value = usual
        if usual is None and not field.allow_none:
            choices = (("", "choose"), *choices)
    ends = isinstance(field, Range)

    def shown(unit: str) -> tuple[str, ...]:
        if isinstance(field, Range):
            return end_texts(field, value, unit)
        return (text_of(field, value, unit),)

    def read(texts: Sequence[str], unit: str) -> Any:
        if isinstance(field, Range):
            return range_of(field, texts[0], texts[1], unit)
        return json_of(field, texts[0], unit)

    name = name_of(path)
    labels = (("low", "from"), ("high", "to")) if ends else (("", ""),)
    boxes = tuple(
        Box(f"{name}.{end}" if end else name, text, words)
        for (end, words), text in zip(labels, shown(unit), strict=True)
    )
    return Question(
        path=path,
        label=label_of(str(path[-1]), field),
        help=help_of(field.doc, schema),
        boxes=boxes,
        read=read,
        shown=shown,
        empty=_empty(field),
        widget=_widget(field),
        choices=choices,
        unit=unit,
        units={one: UNIT_WORDS.get(one, one) for one in units} if units else None,
        required=field.required,
        usual=_usual_text(field, usual, unit),
        offers=_offers(path, field),
    )


def usual_of(schema: Schema, name: str, field: Field) -> Any:
    """The JSON of what a field of a schema is when it is left out; None where nothing is."""
    if not isinstance(schema, ValueSchema):
        return None
    defaults = {one.name: one for one in fields(schema.makes)}
    ends = field.ends if isinstance(field, Range) and field.ends else (field.attribute or name,)
    values = [
        defaults[end].default if end in defaults and defaults[end].default is not MISSING else None
        for end in ends
    ]
    if all(one is None for one in values):
        return None
    value = tuple(values) if isinstance(field, Range) else values[0]
    return field._serialize(value, name, None)


def help_of(doc: str, schema: Schema | None = None) -> str:
    """A field's help for people: other fields by their labels, "empty" for null."""

    def named(match: re.Match[str]) -> str:
        word = match.group(1)
        field = schema.fields.get(word) if schema is not None else None
        return word if field is None else f"“{label_of(word, field)}”"

    text = re.sub(r"`([^`]+)`", named, doc)
    return re.sub(r"\b([Nn])ull\b", lambda one: "Empty" if one[1] == "N" else "empty", text)


def _offers(path: Path, field: Field) -> str:
    if isinstance(field, TimeZone):
        return "zones"
    return str(path[0]) if path[-1] == "species" else ""


def _usual_text(field: Field, usual: Any, unit: str) -> str:
    if isinstance(field, Range):
        return "–".join(filter(None, end_texts(field, usual, unit)))
    return text_of(field, usual, unit)


def _widget(field: Field) -> str:
    if isinstance(field, Choice | YesNo):
        return "select"
    if isinstance(field, Day):
        return "date"
    if isinstance(field, TimeOfDay):
        return "time"
    if isinstance(field, Text) and field.lines:
        return "area"
    return "number" if is_number(field) else "text"


def _choices(field: Field) -> tuple[tuple[str, str], ...]:
    if isinstance(field, Choice):
        words = [(word, word) for word in field.words]
    elif isinstance(field, YesNo):
        words = [("yes", "yes"), ("no", "no")]
    else:
        return ()
    none_words = field.none_words if isinstance(field, Choice) else "not known"
    return (("", none_words), *words) if field.allow_none else tuple(words)


def _empty(field: ma.fields.Field[Any]) -> Any:
    if field.allow_none:
        return None
    return "" if isinstance(field, Text) and not field.shortest else LEFT_TO_DEFAULT
