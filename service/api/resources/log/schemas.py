"""The JSON of log entries: what every entry has, and ``data`` by kind."""

from __future__ import annotations

from typing import Any, Final

from service.api.resources.pictures.schemas import PictureSchema
from service.registry.fields.log.entry import EntrySchema, LogData
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice


def _entry_schema(kind: LogKind, data: type[LogData]) -> type[Schema]:
    name = "".join(word.capitalize() for word in kind.value.split("-")) + "EntrySchema"
    members = {
        "__doc__": f"A log entry: {kind.value}.",
        "kind": Choice(words=[kind.value], required=True),
        "data": Nested(data, required=data.required()),
        "pictures": Items(PictureSchema, "Photographs of it.", dump_only=True),
    }
    return type(name, (EntrySchema,), members)


ENTRIES: Final[dict[LogKind, type[Schema]]] = {
    kind: _entry_schema(kind, type(data)) for kind, data in KINDS.items()
}


def component_name(schema: type[Schema]) -> str:
    """Name of a schema among the components of the document."""
    return schema.__name__.removesuffix("Schema")


def register(spec: Any) -> None:
    """Add the entries of all kinds, and ``LogEntry`` as one of them, to a document."""
    references = {}
    for kind, schema in ENTRIES.items():
        name = component_name(schema)
        spec.components.schema(name, schema=schema)
        references[kind.value] = f"#/components/schemas/{name}"
    spec.components.schema(
        "LogEntry",
        {
            "description": "What a person did or saw; `data` belongs to the kind.",
            "oneOf": [{"$ref": reference} for reference in references.values()],
            "discriminator": {"propertyName": "kind", "mapping": references},
        },
    )


ENTRY_REFERENCE: Final = {"$ref": "#/components/schemas/LogEntry"}
LOG: Final[dict[str, Any]] = {
    "type": "object",
    "properties": {
        "tank": {"type": "string"},
        "entries": {"type": "array", "items": ENTRY_REFERENCE},
        "next": {"type": ["string", "null"]},
    },
    "required": ["tank", "entries", "next"],
    "additionalProperties": False,
}
