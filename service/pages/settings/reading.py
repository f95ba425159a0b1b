"""What was typed in a form as the JSON that a schema reads; what is left alone stays as stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from marshmallow import ValidationError

from service.errors import FieldFault, UnitRefusal
from service.pages.settings.questions import (
    LEFT_TO_DEFAULT,
    Node,
    Path,
    Question,
    groups_in,
    questions_in,
)
from service.pages.settings.several import ADDED
from service.schemas.messages import messages_of, pointer_part


@dataclass(frozen=True, slots=True)
class Reading:
    """What a form says.

    Attributes:
        body: JSON with the changes.
        faults: of texts that no JSON can be made of, at pointers of the form.
        rows: pointer of a list -> the form's row of each item that is left.
    """

    body: dict[str, Any]
    faults: list[FieldFault] = field(default_factory=list)
    rows: dict[str, list[int]] = field(default_factory=dict)

    def in_form(self, pointer: str) -> str:
        """The pointer in the form of what is at a pointer in the body."""
        at, shown = "", ""
        for part in pointer.strip("/").split("/"):
            rows = self.rows.get(at, [])
            known = part.isdecimal() and int(part) < len(rows)
            at, shown = f"{at}/{part}", f"{shown}/{rows[int(part)] if known else part}"
        return shown


def read_form(
    nodes: Sequence[Node], given: Mapping[str, str], stored: Mapping[str, Any]
) -> Reading:
    """Put what was typed into the JSON that is stored.

    Args:
        nodes: the form for what is stored.
        given: texts by the names of the inputs; a question none of whose inputs is among them
            is left alone, and so is one whose texts are those that were shown.
    """
    body: dict[str, Any] = deepcopy(dict(stored))
    reading = Reading(body)
    for question in questions_in(nodes):
        _read(question, given, reading)
    for path, asked in _nullable(nodes).items():
        if _emptied(asked, given, _at(body, path)):
            _put(body, path, None)
    for group in groups_in(nodes):
        if given.get(f"{group.name}.remove"):
            _put(body, group.path, None)
    _close_gaps(body, "", reading.rows)
    return reading


def _read(question: Question, given: Mapping[str, str], reading: Reading) -> None:
    if not any(box.name in given for box in question.boxes):
        return
    texts = _texts(question, given)
    unit = given.get(question.unit_name, question.unit)
    pointer = pointer_of(question.path)
    if question.units is not None and unit not in question.units:
        allowed = UnitRefusal(unit[:40], ", ".join(question.units))
        reading.faults.append(FieldFault.of(f"{pointer}/unit", allowed, question.label))
        return
    if texts == tuple(text.strip() for text in question.shown(unit)):
        return
    if not any(texts):
        _put(reading.body, question.path, question.empty)
        return
    try:
        value = question.read(texts, unit)
    except ValidationError as error:
        reading.faults.extend(
            FieldFault.of(at, text, question.label)
            for at, text in messages_of(error.messages, pointer)
        )
        return
    if question.path[-1] == ADDED:
        for name, fact in value.items():
            _put(reading.body, (*question.path[:-1], name), fact)
        return
    _put(reading.body, question.path, value)


def _texts(question: Question, given: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(given.get(box.name, "").replace("\r\n", "\n").strip() for box in question.boxes)


def _nullable(nodes: Sequence[Node]) -> dict[Path, list[Question]]:
    """The questions of each object that may be null, by its path."""
    found: dict[Path, list[Question]] = {}
    for group in groups_in(nodes):
        if group.may_be_null:
            found.setdefault(group.path, []).extend(questions_in((group,)))
    return found


def _emptied(asked: Sequence[Question], given: Mapping[str, str], value: Any) -> bool:
    """Whether an object was in the form, all of it is empty, and nothing else is in it."""
    there = all(box.name in given for one in asked for box in one.boxes)
    if not there or any(text for one in asked for text in _texts(one, given)):
        return False
    names = {one.path[-1] for one in asked}
    others = [member for name, member in (value or {}).items() if name not in names]
    return all(member is None for member in others)


def _at(body: Any, path: Path) -> Any:
    """What is at a path; None where nothing is."""
    for part in path:
        if isinstance(body, dict):
            body = body.get(part)
        else:
            body = body[part] if body is not None else None
    return body


def _put(body: dict[str, Any], path: Path, value: Any) -> None:
    """Set a member, making what is around it; ``LEFT_TO_DEFAULT`` takes it out."""
    at: Any = body
    for part, following in pairwise(path):
        inner: Any = at.get(part) if isinstance(at, dict) else at[part]
        if inner is None:
            if value is LEFT_TO_DEFAULT:
                return
            inner = [] if isinstance(following, int) else {}
            at[part] = inner
        if isinstance(following, int):
            inner.extend([None] * (following + 1 - len(inner)))
        at = inner
    if value is LEFT_TO_DEFAULT:
        at.pop(path[-1], None)
    else:
        at[path[-1]] = value


def _close_gaps(value: Any, pointer: str, rows: dict[str, list[int]]) -> None:
    """Take rows that are nothing out of all lists, and write down which are left."""
    if isinstance(value, dict):
        for name, inner in value.items():
            _close_gaps(inner, f"{pointer}/{pointer_part(name)}", rows)
    elif isinstance(value, list):
        left = [number for number, item in enumerate(value) if item is not None]
        value[:] = [value[number] for number in left]
        rows[pointer] = left
        for number, item in enumerate(value):
            _close_gaps(item, f"{pointer}/{number}", rows)


def pointer_of(path: Path) -> str:
    """The JSON pointer of a path."""
    return "".join(f"/{pointer_part(part)}" for part in path)
