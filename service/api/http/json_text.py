"""Reading and writing JSON strictly: no NaN in either direction, order kept."""

from __future__ import annotations

import json
from typing import Any

from flask.json.provider import DefaultJSONProvider

from service.errors import LittoralError
from service.problems import PROBLEMS


class MalformedRequestError(LittoralError):
    """The request cannot be read at all."""

    kind = PROBLEMS["malformed-request"]


def read_json(data: bytes) -> Any:
    """The value of a UTF-8 JSON text.

    Raises:
        MalformedRequestError: not UTF-8, not JSON, NaN or Infinity, nested too deep.
    """
    try:
        return json.loads(data.decode("utf-8"), parse_constant=_refuse_constant)
    except UnicodeDecodeError as error:
        raise MalformedRequestError(
            f"the body is not UTF-8 at byte {error.start}; allowed: JSON in UTF-8"
        ) from error
    except json.JSONDecodeError as error:
        raise MalformedRequestError(
            f"the body is not JSON: {error.msg} at line {error.lineno}, column {error.colno}"
        ) from error
    except RecursionError as error:
        raise MalformedRequestError("the body is nested too deeply") from error
    except ValueError as error:
        raise MalformedRequestError(f"the body is not JSON: {error}") from error


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
