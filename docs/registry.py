"""Write the tables of docs/registry.md from the table of fields: python docs/registry.py."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import MISSING, fields
from datetime import time, timedelta
from pathlib import Path
from typing import Any

import marshmallow as ma

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from service.registry.fields.log.kinds import KINDS
from service.registry.fields.tank import TankSchema
from service.schemas.base import Schema, ValueSchema
from service.schemas.fields import Choice, Field
from service.schemas.ranges import Range
from service.schemas.times import TimeZone

PAGE = Path(__file__).with_name("registry.md")


def members(schema: Schema, at: str = "") -> Iterator[tuple[Field, str, Any]]:
    """Every field with its path in JSON and its default."""
    defaults = defaults_of(schema)
    for name, field in schema.load_fields.items():
        inner = field.inner if isinstance(field, ma.fields.List) else field
        many = "[]" if isinstance(field, ma.fields.List) else ""
        attribute = field.attribute or name
        if isinstance(inner, ma.fields.Nested):
            yield from members(inner.schema, f"{at}{name}{many}.")
        elif isinstance(inner, Field):
            ends = inner.ends if isinstance(inner, Range) and inner.ends else (attribute,)
            values = [defaults.get(end, MISSING) for end in ends]
            yield inner, f"{at}{name}{many}", values


def defaults_of(schema: Schema) -> dict[str, Any]:
    """The defaults of the dataclass that a schema makes, by its own names."""
    if not isinstance(schema, ValueSchema):
        return {}
    found = {}
    for one in fields(schema.makes):
        if one.default is not MISSING:
            found[one.name] = one.default
        elif one.default_factory is not MISSING:
            found[one.name] = one.default_factory()
    return found


def default_text(field: Field, values: list[Any]) -> str:
    """The default of a field as a table shows it."""
    if field.required:
        return "required"
    if any(value is MISSING for value in values):
        return ""
    return " to ".join(word_of(value) for value in values if value is not None) or "none"


def word_of(value: Any) -> str:
    """A default as text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float | int):
        return f"{value:g}"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, timedelta):
        return str(value)
    return f"`{value}`" if value else "empty"


def allowed_of(field: Field) -> str:
    """What is stored of a field, in words."""
    if isinstance(field, Choice):
        return ", ".join(f"`{word}`" for word in field.words)
    return field.allowed_value if not isinstance(field, TimeZone) else field.allowed


def row(field: Field, path: str, values: list[Any]) -> str:
    """One row of a table."""
    cells = (f"`{path}`", field.doc, allowed_of(field), default_text(field, values))
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


HEAD = "| field | meaning | allowed | default |\n| --- | --- | --- | --- |"


def tank_table() -> str:
    """All fields of a tank, its animals and its plans."""
    return "\n".join([HEAD, *(row(*one) for one in members(TankSchema()))])


def log_table() -> str:
    """The data of every kind of log entry."""
    rows = [
        "| kind | data | meaning | allowed | |",
        "| --- | --- | --- | --- | --- |",
    ]
    for kind, schema in KINDS.items():
        word = f"`{kind}`"
        for name, field in schema.load_fields.items():
            doc = getattr(field, "doc", "")
            allowed = allowed_of(field) if isinstance(field, Field) else "a list"
            one_of = schema.one_of is not None and name in schema.one_of.names
            needed = "required" if field.required else ""
            needed = "one of these" if one_of else needed
            needed = "at least one of these" if name in schema.any_of else needed
            cells = (word, f"`{name}`", doc, allowed, needed)
            rows.append("| " + " | ".join(cells) + " |")
            word = ""
        if not schema.load_fields:
            rows.append(f"| {word} | | whatever was counted, or a note alone | | |")
    return "\n".join(rows)


def page(text: str) -> str:
    """The page with its tables written anew."""
    for name, table in (("tank-fields", tank_table()), ("log-kinds", log_table())):
        pattern = rf"(<!-- {name} -->\n).*(\n<!-- /{name} -->)"
        text = re.sub(pattern, lambda m, t=table: m[1] + t + m[2], text, flags=re.DOTALL)
    return text


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
