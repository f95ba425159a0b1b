"""Checks values of the program against the schemas that also read them from JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import marshmallow as ma

from service.errors import Refusal
from service.schemas.base import Items, Schema, ValueSchema
from service.schemas.fields import MISSING, Field
from service.schemas.messages import error_of_messages
from service.schemas.ranges import Range


def check(schema: Schema, value: Any, *, under: tuple[str | int, ...] = ()) -> None:
    """Refuse a value with a field that is not allowed.

    Args:
        schema: of the value; where it makes a dataclass, the value is one, else a mapping.
        under: where the value is, for the pointers.

    Raises:
        InvalidInputError: names every wrong field, as in JSON, its value and what is allowed.
    """
    refuse(messages_about(schema, value), under=under)


def refuse(messages: Mapping[Any, Any], *, under: tuple[str | int, ...] = ()) -> None:
    """Raise what ``messages_about`` found, if anything.

    Raises:
        InvalidInputError: there are messages.
    """
    if not messages:
        return
    nested: Any = messages
    for part in reversed(under):
        nested = {part: nested}
    raise error_of_messages(nested)


def messages_about(schema: Schema, value: Any) -> dict[Any, Any]:
    """What is wrong with a value: messages by the fields' names in JSON, nested as the JSON is."""
    found: dict[Any, Any] = {}
    for name, field in schema.load_fields.items():
        try:
            _check_field(field, name, value)
        except ma.ValidationError as error:
            found[field.data_key or name] = error.messages
    return found or schema.contradictions(value)


def _check_field(field: ma.fields.Field[Any], name: str, value: Any) -> None:
    attribute = field.attribute or name
    if isinstance(value, Mapping):
        if attribute in value:
            check_member(field, value[attribute])
        elif field.required:
            raise ma.ValidationError([MISSING])
    elif isinstance(field, Range) and field.ends is not None:
        field.check(tuple(getattr(value, end) for end in field.ends))
    else:
        check_member(field, getattr(value, attribute))


def check_member(field: ma.fields.Field[Any], value: Any) -> None:
    """Refuse the value of one field.

    Raises:
        marshmallow.ValidationError: as the field does for JSON.
    """
    if isinstance(field, Field):
        field.check(value)
    elif isinstance(field, ma.fields.Nested):
        _check_nested(field, value)
    elif isinstance(field, ma.fields.List):
        _check_items(field, value)
    else:
        raise TypeError(f"{type(field).__name__} cannot be checked")


def _check_nested(field: ma.fields.Nested, value: Any) -> None:
    if value is None and field.allow_none:
        return
    schema = field.schema
    assert isinstance(schema, Schema)
    expected = schema.makes if isinstance(schema, ValueSchema) else Mapping
    if not isinstance(value, expected):
        raise ma.ValidationError([Refusal(value, "an object")])
    if found := messages_about(schema, value):
        raise ma.ValidationError(found)


def _check_items(field: ma.fields.List[Any], value: Any) -> None:
    assert isinstance(field, Items)
    field.check(value)
    found = {}
    for number, item in enumerate(value):
        try:
            check_member(field.inner, item)
        except ma.ValidationError as error:
            found[number] = error.messages
    if found:
        raise ma.ValidationError(found)
