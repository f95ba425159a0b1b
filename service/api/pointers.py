"""From the names of our dataclasses to the names in JSON, where a check below the API refuses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import marshmallow as ma

from service.errors import FieldFault, InvalidInputError
from service.schemas.ranges import Range


@contextmanager
def told_in_json(schema: type[ma.Schema], under: str = "") -> Iterator[None]:
    """Let faults of a value point into the JSON that it was read from.

    Args:
        schema: of the body.
        under: JSON pointer prefix of the body's part that the schema describes.

    Raises:
        InvalidInputError: the one caught, with other pointers.
    """
    try:
        yield
    except InvalidInputError as error:
        faults = tuple(_moved(fault, schema, under) for fault in error.faults)
        detail = error.detail
        for old, new in zip(error.faults, faults, strict=True):
            detail = detail.replace(old.detail, new.detail)
        raise type(error)(detail, faults) from error


def _moved(fault: FieldFault, schema: type[ma.Schema], under: str) -> FieldFault:
    pointer = under + json_pointer(fault.pointer.removeprefix(under), schema)
    _, _, rest = fault.detail.partition(" is ")
    return FieldFault(pointer, f"{pointer} is {rest}")


def json_pointer(pointer: str, schema: type[ma.Schema]) -> str:
    """A pointer by attribute names as a pointer by JSON names; unknown parts stay."""
    parts: list[str] = []
    level: type[ma.Schema] | None = schema
    for part in pointer.strip("/").split("/"):
        if level is None or part.isdecimal():
            parts.append(part)
            continue
        name, level = _named(part, level)
        parts += name
    return "/" + "/".join(parts)


def _named(part: str, schema: type[ma.Schema]) -> tuple[list[str], type[ma.Schema] | None]:
    for name, field in schema().fields.items():
        key = field.data_key or name
        if isinstance(field, Range) and field.ends is not None and part in field.ends:
            return [key, ("low", "high")[field.ends.index(part)]], None
        if part == (field.attribute or name):
            inner = field.inner if isinstance(field, ma.fields.List) else field
            return [key], type(inner.schema) if isinstance(inner, ma.fields.Nested) else None
    return [part], None
