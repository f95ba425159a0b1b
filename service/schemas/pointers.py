"""Names under which a program stores values, as the JSON pointers a schema reads them from."""

from __future__ import annotations

import marshmallow as ma

from service.schemas.ranges import Range


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
