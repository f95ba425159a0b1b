"""From marshmallow's messages and the science's refusals to faults that name field and value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from service.api.schemas.refusal import UnitRefusal, wrong
from service.errors import FieldFault, InvalidInputError, UnknownUnitError

_MOST_FAULTS = 50


def pointer_part(name: object) -> str:
    """One reference token of a JSON pointer (RFC 6901)."""
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


def invalid_body(nested: object) -> InvalidInputError:
    """The error for a body that a schema refused."""
    found = list(messages_of(nested))
    faults = tuple(FieldFault(at, f"{at or 'the body'} {text}") for at, text in found)
    return error_of(faults, units_only=all(isinstance(text, UnitRefusal) for _, text in found))


def invalid_query(nested: Mapping[str, Any]) -> InvalidInputError:
    """The error for query options that a schema refused."""
    found = [(name, text) for name, inner in nested.items() for _, text in messages_of(inner)]
    return error_of(tuple(_option(name, text) for name, text in found))


def invalid_option(name: str, value: object, allowed: str) -> InvalidInputError:
    """The error for one query option that is wrong by itself or beside others."""
    return error_of((_option(name, wrong(value, allowed)),))


def invalid_field(pointer: str, value: object, allowed: str) -> InvalidInputError:
    """The error for one field of the body that is wrong beside others."""
    return error_of((FieldFault(pointer, f"{pointer} {wrong(value, allowed)}"),))


def error_of(faults: tuple[FieldFault, ...], *, units_only: bool = False) -> InvalidInputError:
    """The error that carries these faults; its detail repeats the first three."""
    detail = "; ".join(fault.detail for fault in faults[:3])
    if len(faults) > 3:
        detail += f"; and {len(faults) - 3} more"
    kind = UnknownUnitError if units_only else InvalidInputError
    return kind(detail, faults[:_MOST_FAULTS])


def _option(name: str, message: str) -> FieldFault:
    plain = pointer_part(name).replace("~1", "/").replace("~0", "~")
    return FieldFault(f"?{plain}", f"{plain} {message}")


@contextmanager
def refusals(pointers: Mapping[str, str]) -> Iterator[None]:
    """Turn a science function's ValueError into an error that points at the field of the body.

    Args:
        pointers: parameter name of the science function -> JSON pointer of the field.

    Raises:
        InvalidInputError: in place of the ValueError.
    """
    try:
        yield
    except ValueError as error:
        name, colon, rest = str(error).partition(": ")
        if not colon or name not in pointers:
            raise InvalidInputError(str(error)) from error
        detail = f"{pointers[name]} is refused: {rest}"
        raise InvalidInputError(detail, (FieldFault(pointers[name], detail),)) from error
