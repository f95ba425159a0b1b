"""Faults with JSON pointers (RFC 6901) from the nested messages of marshmallow."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.errors import FieldFault, InvalidInputError, UnitRefusal, UnknownUnitError


def pointer_part(name: object) -> str:
    """One reference token of a JSON pointer."""
    text = str(name).replace("~", "~0").replace("/", "~1")
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def messages_of(nested: object, pointer: str = "") -> Iterator[tuple[str, str]]:
    """JSON pointer and message of every fault in marshmallow's nested messages."""
    if isinstance(nested, Mapping):
        for name, inner in nested.items():
            part = "" if name == "_schema" else "/" + pointer_part(name)
            yield from messages_of(inner, pointer + part)
    elif isinstance(nested, list):
        for inner in nested:
            yield from messages_of(inner, pointer)
    else:
        yield pointer, nested if isinstance(nested, str) else str(nested)


def faults_in(nested: object) -> list[FieldFault]:
    """The fault of each message."""
    return [FieldFault.of(at, text, at or "the body") for at, text in messages_of(nested)]


def error_of_messages(nested: object) -> InvalidInputError:
    """The error for what a schema refused; of units only where all messages are of units."""
    units_only = all(isinstance(text, UnitRefusal) for _, text in messages_of(nested))
    return (UnknownUnitError if units_only else InvalidInputError).of(faults_in(nested))
