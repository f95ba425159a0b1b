"""From marshmallow's messages and the science's refusals to faults that name field and value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from service.errors import FieldFault, InvalidInputError, Refusal, UnknownUnitError
from service.schemas.base import Schema
from service.schemas.messages import error_of_messages, messages_of, pointer_part
from service.science.numeric.checks import OutOfRangeError


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
        found = schema()
        pointers = ["/" + found.name_of(fault.pointer[1:]) for fault in error.faults]
        moved = [one.renamed(at) for one, at in zip(error.faults, pointers, strict=True)]
        raise type(error).of(moved) from error


@contextmanager
def refusals(pointers: Mapping[str, str]) -> Iterator[None]:
    """Turn the refusal of a science function into an error that points at the field of the body.

    Args:
        pointers: parameter name of the science function -> JSON pointer of the field.

    Raises:
        InvalidInputError: in place of the OutOfRangeError.
    """
    try:
        yield
    except OutOfRangeError as error:
        if error.name not in pointers:
            raise InvalidInputError(str(error)) from error
        raise invalid_field(pointers[error.name], error.value, error.allowed) from error
