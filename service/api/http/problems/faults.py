"""From the messages of schemas to errors that name field and value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from service.errors import FieldFault, InvalidInputError, Refusal, UnknownUnitError
from service.schemas.base import Schema
from service.schemas.messages import error_of_messages, messages_of, pointer_part
from service.schemas.pointers import json_pointer


def invalid_body(nested: object) -> InvalidInputError:
    """The error for a body that a schema refused."""
    return error_of_messages(nested)


def invalid_query(nested: Mapping[str, Any]) -> InvalidInputError:
    """The error for query options that a schema refused."""
    found = [(name, text) for name, inner in nested.items() for _, text in messages_of(inner)]
    return error_of(tuple(_option(name, text) for name, text in found))


def invalid_option(name: str, value: object, allowed: str) -> InvalidInputError:
    """The error for one query option that is wrong by itself or beside others."""
    return error_of((_option(name, Refusal(value, allowed)),))


def invalid_field(pointer: str, value: object, allowed: str) -> InvalidInputError:
    """The error for one field of the body that is wrong beside others."""
    return error_of((FieldFault.of(pointer, Refusal(value, allowed)),))


def error_of(faults: tuple[FieldFault, ...], *, units_only: bool = False) -> InvalidInputError:
    """The error that carries these faults; its detail repeats the first three."""
    return (UnknownUnitError if units_only else InvalidInputError).of(faults)


def _option(name: str, message: str) -> FieldFault:
    plain = pointer_part(name).replace("~1", "/").replace("~0", "~")
    return FieldFault.of(f"?{plain}", message, plain)


@contextmanager
def named_as(schema: type[Schema]) -> Iterator[None]:
    """Name wrong fields of a value as in the JSON that a schema read it from.

    Raises:
        InvalidInputError: the one caught, with the JSON's names.
    """
    try:
        yield
    except InvalidInputError as error:
        faults = [one.renamed(json_pointer(one.pointer, schema)) for one in error.faults]
        raise type(error).of(faults) from error
