"""Registry values as JSON documents and back, exactly."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from typing import Any, TypeVar

from cattrs.preconf.json import make_converter

_T = TypeVar("_T")

_converter = make_converter()
_converter.register_unstructure_hook(time, time.isoformat)
_converter.register_structure_hook(time, lambda value, _: time.fromisoformat(value))


def to_document(value: Any) -> dict[str, Any]:
    """A frozen dataclass as a JSON document: dates and times as ISO 8601 text, floats exact."""
    document = _converter.unstructure(value)
    assert isinstance(document, dict)
    return document


def from_document(document: Mapping[str, Any], kind: type[_T]) -> _T:
    """The dataclass that ``to_document`` was given; keys that are missing take their defaults."""
    return _converter.structure(document, kind)
