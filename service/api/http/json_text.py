"""Reading and writing JSON strictly: no NaN in either direction, order kept."""

from __future__ import annotations

import json
import re
from typing import Any, Final

from flask.json.provider import DefaultJSONProvider

from service.errors import LittoralError
from service.problems import PROBLEMS

MOST_VALUES: Final = 100_000
"""Values in one body, those of all arrays and objects together."""
DEEPEST: Final = 32
"""Arrays and objects in one another."""
_MOST_DIGITS: Final = 400
_STRINGS: Final = re.compile(rb'"(?:[^"\\]++|\\.)*+"?', re.DOTALL)
_NOT_BRACKETS: Final = bytes(set(range(256)) - set(b"[]{}"))


class MalformedRequestError(LittoralError):
    """The request cannot be read at all."""

    kind = PROBLEMS["malformed-request"]


def read_json(data: bytes) -> Any:
    """The value of a UTF-8 JSON text.

    Its values are counted, and how deep they are nested, before any is made.

    Raises:
        MalformedRequestError: not UTF-8, not JSON, NaN or Infinity, nested too deep, too many
            values.
    """
    _check_size(data)
    try:
        return json.loads(
            data.decode("utf-8"), parse_constant=_refuse_constant, parse_int=_whole_number
        )
    except UnicodeDecodeError as error:
        raise MalformedRequestError(
            f"the body is not UTF-8 at byte {error.start}; allowed: JSON in UTF-8"
        ) from error
    except json.JSONDecodeError as error:
        raise MalformedRequestError(
            f"the body is not JSON: {error.msg} at line {error.lineno}, column {error.colno}"
        ) from error
    except ValueError as error:
        raise MalformedRequestError(f"the body is not JSON: {error}") from error


def _check_size(data: bytes) -> None:
    structure = _STRINGS.sub(b"", data)
    brackets = structure.translate(None, delete=_NOT_BRACKETS)
    opened = brackets.count(b"[") + brackets.count(b"{")
    if (values := structure.count(b",") + opened) > MOST_VALUES:
        raise MalformedRequestError(
            f"the body has {values} values or more; allowed: up to {MOST_VALUES}"
        )
    depth = 0
    for bracket in brackets if opened > DEEPEST else b"":
        depth += 1 if bracket in b"[{" else -1
        if depth > DEEPEST:
            raise MalformedRequestError(
                f"the body is nested too deeply; allowed: up to {DEEPEST} arrays and objects in "
                "one another"
            )


def _whole_number(digits: str) -> int:
    if len(digits) > _MOST_DIGITS + 1:
        raise MalformedRequestError(
            f"the body has a number of {len(digits)} digits, {digits[:20]}…; allowed: up to "
            f"{_MOST_DIGITS} digits"
        )
    return int(digits)


def _refuse_constant(name: str) -> Any:
    raise MalformedRequestError(f"the body has {name}; allowed: finite numbers and null")


class StrictJson(DefaultJSONProvider):
    """Writes JSON with members in their order, text readable, and never NaN."""

    sort_keys = False
    ensure_ascii = False

    def dumps(self, obj: Any, **kwargs: Any) -> str:
        """The JSON text of a value; a NaN in it is a defect and raises ValueError."""
        return super().dumps(obj, allow_nan=False, **kwargs)

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        """The value of a JSON text, as strictly read as written."""
        return read_json(s if isinstance(s, bytes) else s.encode("utf-8"))
