"""Python values to the API's addresses, options and JSON, and back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any, TypeVar
from urllib.parse import quote

import cattrs

from service.client.errors import ClientError
from service.client.models import Tank

_T = TypeVar("_T")

_converter = cattrs.Converter()
_converter.register_structure_hook(datetime, lambda text, _: datetime.fromisoformat(text))
_converter.register_structure_hook(date, lambda text, _: date.fromisoformat(text))


def tank_path(tank: str, rest: str = "") -> str:
    """The address of a tank, or of something of it."""
    return f"/v1/tanks/{quote(tank, safe='')}" + (f"/{rest}" if rest else "")


def options_of(**options: Any) -> dict[str, str]:
    """Options of a query, without those that are None.

    Raises:
        ValueError: a time has no time zone.
    """
    return {name: text_of(value) or "" for name, value in options.items() if value is not None}


def text_of(value: Any) -> str | None:
    """A value as the API reads it; None stays None.

    Raises:
        ValueError: a time has no time zone.
    """
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError(f"time is {value!r}; allowed: a datetime with a time zone")
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    return None if value is None else str(value)


def value_of(kind: type[_T], document: Any) -> _T:
    """An answer as a value.

    Raises:
        ClientError: it cannot be understood.
    """
    try:
        return _converter.structure(document, kind)
    except (cattrs.BaseValidationError, KeyError, TypeError, ValueError) as error:
        raise ClientError(f"the answer is no {kind.__name__}: {document!r:.200}") from error


def tank_of(document: Any) -> Tank:
    """A tank from its JSON, with the whole document.

    Raises:
        ClientError: it is none.
    """
    try:
        return Tank(document["id"], document["name"], document["time_zone"], document)
    except (KeyError, TypeError) as error:
        raise ClientError(f"the answer is no tank: {document!r:.200}") from error
