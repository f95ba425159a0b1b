"""The form of a schema: its questions with what is stored or was typed, and what was refused."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import marshmallow as ma

from service.pages.settings.questions import (
    OWN_LIMITS,
    Group,
    Node,
    Path,
    Question,
    Rows,
    help_of,
    name_of,
    question_of,
    questions_in,
    usual_of,
)
from service.pages.settings.several import questions_of
from service.schemas.base import Items, Schema
from service.schemas.entry import label_of
from service.schemas.fields import Field

Keep = Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Making:
    """What a form is made with.

    Attributes:
        given: what was typed, by the names of the inputs.
        unit_of: which of some units to show.
        keep: whether to ask for a member, or for some of its members, by its path without indexes:
            ``animals/species``, ``animals``.
    """

    given: Mapping[str, str]
    unit_of: Callable[[tuple[str, ...]], str]
    keep: Keep = lambda _: True


def nodes_of(schema: Schema, stored: Any, making: Making, path: Path = ()) -> tuple[Node, ...]:
    """What a form asks for a schema.

    Args:
        stored: JSON that is there now; None: nothing.
    """
    found: list[Node] = []
    for name, field in schema.load_fields.items():
        if not making.keep(_key((*path, name))):
            continue
        value = (stored or {}).get(name)
        found += _nodes(schema, name, field, value, making, (*path, name))
    return tuple(found)


def members_of(schema: Schema, path: Path = ()) -> Iterator[str]:
    """The members that a form may ask for, by their paths without indexes."""
    for name, field in schema.load_fields.items():
        inner = field.inner if isinstance(field, Items) else field
        if isinstance(inner, ma.fields.Nested):
            assert isinstance(inner.schema, Schema)
            yield from members_of(inner.schema, (*path, name))
        else:
            yield _key((*path, name))


def _nodes(
    schema: Schema, name: str, field: ma.fields.Field[Any], value: Any, making: Making, path: Path
) -> Iterator[Node]:
    if isinstance(field, ma.fields.Nested):
        yield from _group(field, value, making, path)
    elif isinstance(field, Items) and isinstance(field.inner, ma.fields.Nested):
        yield from _rows(field, value, making, path)
    elif isinstance(field, Field):
        several = questions_of(path, field, value)
        if several is not None:
            nodes = tuple(_typed_node(one, making) for one in several)
            yield Group(path, label_of(name, field), help_of(field.doc, schema), nodes)
            return
        usual = usual_of(schema, name, field)
        question = question_of(path, field, value, making.unit_of, schema=schema, usual=usual)
        yield _typed(question, making)


def _group(field: ma.fields.Nested, value: Any, making: Making, path: Path) -> Iterator[Group]:
    schema = field.schema
    assert isinstance(schema, Schema)
    nodes = nodes_of(schema, value, making, path)
    if field.allow_none:
        nodes = _none_needed(nodes)
    if nodes:
        help = help_of(getattr(field, "doc", ""))
        yield Group(path, label_of(str(path[-1]), field), help, nodes, field.allow_none)


_FOLDED_LABELS: Final = {"plants": "its place, wished height and own demand"}


def _rows(field: Items, value: Any, making: Making, path: Path) -> Iterator[Rows]:
    assert isinstance(field.inner, ma.fields.Nested)
    schema = field.inner.schema
    assert isinstance(schema, Schema)
    stored = value or []
    rows = []
    most = len(stored) if field.longest is None else field.longest
    for index in range(min(max(len(stored), _typed_rows(making.given, path)) + 1, most)):
        there = index < len(stored)
        nodes = nodes_of(schema, stored[index] if there else None, making, (*path, index))
        nodes = nodes if there else _none_needed(nodes)
        if not nodes:
            return
        usual, rare = _split(schema, nodes)
        rows.append(
            Group(
                (*path, index),
                field.label or "item",
                "",
                usual,
                removable=there,
                folded=rare,
                folded_label=_FOLDED_LABELS.get(str(path[-1]), OWN_LIMITS),
            )
        )
    yield Rows(path, str(path[-1]).capitalize(), help_of(field.doc), tuple(rows))


def _none_needed(nodes: tuple[Node, ...]) -> tuple[Node, ...]:
    """Questions of what may be left out as a whole."""
    return tuple(
        replace(one, required=False) if isinstance(one, Question) else one for one in nodes
    )


def _split(schema: Schema, nodes: tuple[Node, ...]) -> tuple[tuple[Node, ...], tuple[Node, ...]]:
    """The questions of a row, and those that the table of species answers as well."""
    if "species" not in schema.fields:
        return nodes, ()
    rare = [one for one in nodes if schema.fields[str(one.path[-1])].allow_none]
    return tuple(one for one in nodes if one not in rare), tuple(rare)


def _typed_rows(given: Mapping[str, str], path: Path) -> int:
    """How many rows of a list were in the form that was sent, but for empty ones at the end."""
    pattern = re.compile(re.escape(f"{name_of(path)}.") + r"([0-9]{1,3})\.(?!.*_unit$)")
    found = [int(one[1]) for name, text in given.items() if text and (one := pattern.match(name))]
    return max(found, default=-1) + 1


def _typed_node(node: Question | Group, making: Making) -> Node:
    if isinstance(node, Question):
        return _typed(node, making)
    asked = tuple(_typed(one, making) for one in questions_in(node.nodes))
    return replace(node, nodes=asked)


def _typed(question: Question, making: Making) -> Question:
    """The question with what was typed in it, where it was."""
    given = making.given
    boxes = tuple(replace(box, text=given.get(box.name, box.text)) for box in question.boxes)
    unit = given.get(question.unit_name, question.unit)
    unit = unit if question.units and unit in question.units else question.unit
    return replace(question, boxes=boxes, unit=unit)


def _key(path: Path) -> str:
    return "/".join(part for part in path if isinstance(part, str))
