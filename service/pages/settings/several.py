"""Questions of fields that are objects by name: thresholds, labels, free facts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

import marshmallow as ma

from service.advice.phrases import capitalised
from service.errors import Refusal
from service.pages.settings.questions import LEFT_TO_DEFAULT, Box, Group, Path, Question, name_of
from service.registry.fields.dose_content import LABEL_IONS, LabelAmounts
from service.registry.fields.named import Limited, Thresholds
from service.schemas.entry import UNIT_WORDS, json_of
from service.schemas.fields import Field, Number
from service.schemas.free_json import Facts
from service.schemas.written import number_text

ADDED: Final = "*"
"""Last part of the path of a question for a further fact: what it reads is added to the object."""


def questions_of(path: Path, field: Field, value: Any) -> Iterator[Question | Group] | None:
    """The questions of a field that is an object by name; None for any other field."""
    stored: Mapping[str, Any] = value or {}
    if isinstance(field, Thresholds):
        return _thresholds(path, field, stored)
    if isinstance(field, LabelAmounts):
        return _label(path, stored)
    return _facts(path, field, stored) if isinstance(field, Facts) else None


def _thresholds(path: Path, field: Thresholds, stored: Mapping[str, Any]) -> Iterator[Group]:
    """A group for each subject, in the order of the table."""
    for subject, rows in groupby((field.known or {}).items(), lambda row: row[1].subject):
        yield Group(path, subject, "", tuple(_threshold_questions(path, dict(rows), stored)))


def _threshold_questions(
    path: Path, thresholds: Mapping[str, Limited], stored: Mapping[str, Any]
) -> Iterator[Question]:
    for name, one in thresholds.items():
        unit = UNIT_WORDS.get(one.unit, one.unit)
        words = "" if unit == "1" else f" {unit}"
        yield _number(
            (*path, name),
            f"{capitalised(one.text)}{',' if words else ''}{words}",
            f"Empty: {one.default:g}{words}. From {one.low:g} to {one.high:g}.",
            stored.get(name),
            usual=f"{one.default:g}",
        )


def _label(path: Path, stored: Mapping[str, Any]) -> Iterator[Question]:
    for ion in LABEL_IONS:
        yield _number((*path, ion), f"{ion}, mg in a mL or g", "", stored.get(ion))


def _facts(path: Path, field: Facts, stored: Mapping[str, Any]) -> Iterator[Question]:
    for name in dict.fromkeys((*field.usual, *stored)):
        label = capitalised(name).replace("_", " ")
        yield _one((*path, name), label, "", _fact_text(stored.get(name)), _fact)
    name = name_of((*path, ADDED))
    yield Question(
        path=(*path, ADDED),
        label="Something else",
        help=f"{field.doc} Empty what is no longer there.",
        boxes=(Box(f"{name}.what", "", "what"), Box(f"{name}.value", "", "how much, or which")),
        read=_named_fact,
        shown=lambda _: ("", ""),
    )


def _named_fact(texts: Sequence[str], unit: str) -> dict[str, Any]:
    if not texts[0]:
        raise ma.ValidationError([Refusal(texts[1], "a value with what it is, such as pump: 400")])
    return {texts[0]: _fact(texts[1:], unit)}


def _fact(texts: Sequence[str], unit: str) -> Any:
    """A number, true or false where the text is one, else the text."""
    text = texts[0]
    words = {"yes": True, "true": True, "no": False, "false": False}
    if text.lower() in words:
        return words[text.lower()]
    try:
        return json_of(Number(), text)
    except ma.ValidationError:
        return text


def _fact_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number_text(value) if isinstance(value, int | float) else str(value)


def _number(path: Path, label: str, help: str, value: Any, *, usual: str = "") -> Question:
    text = "" if value is None else number_text(value)
    return _one(path, label, help, text, _read_number, widget="number", usual=usual)


def _read_number(texts: Sequence[str], unit: str) -> Any:
    return json_of(Number(), texts[0])


def _one(
    path: Path,
    label: str,
    help: str,
    text: str,
    read: Callable[[Sequence[str], str], Any],
    *,
    widget: str = "text",
    usual: str = "",
) -> Question:
    return Question(
        path, label, help, (Box(name_of(path), text),), read, lambda _: (text,),
        LEFT_TO_DEFAULT, widget, usual=usual,
    )  # fmt: skip
