"""The numbers of a JSON document, each with its path, the word it goes by and its unit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from ingest.decode.quantity_words import place_of
from service.units import split_number_and_unit

MOST_VALUES: Final = 200
"""A hostile document is not walked to its end."""
_DEEPEST: Final = 8
_LONGEST_TEXT: Final = 40


@dataclass(frozen=True, slots=True)
class JsonValue:
    """A number in a document.

    Attributes:
        path: dotted, as a route has it; "" for the document itself.
        key: the word that says what it is: the last key that is neither ``value`` nor an index.
        place: the key before that, where it names a place; "": none.
        text: as it was sent.
        unit: that the document names beside it; None: none.
        is_number: not a text.
    """

    path: str
    key: str
    place: str
    text: str
    unit: str | None
    is_number: bool


def json_values(document: Any) -> Iterator[JsonValue]:
    """The numbers, and the texts that begin with one; those of other places are left out."""
    for count, found in enumerate(_walk(document, "", "", "", None)):
        if count >= MOST_VALUES:
            return
        yield found


def _walk(found: Any, path: str, key: str, place: str, unit: str | None) -> Iterator[JsonValue]:
    if isinstance(found, bool):
        return
    if isinstance(found, int | float):
        yield JsonValue(path, key, place, f"{found}"[:_LONGEST_TEXT], unit, True)
    elif isinstance(found, str) and len(found) <= _LONGEST_TEXT and begins_with_number(found):
        yield JsonValue(path, key, place, found, unit, False)
    elif isinstance(found, dict):
        if "value" in found and not isinstance(found["value"], dict | list):
            # A route that leads to the object takes the unit from it.
            yield from _walk(found["value"], path, key, place, _text(found.get("unit")) or unit)
            found = {name: one for name, one in found.items() if name != "value"}
        yield from _members(found, path, key, place)
    elif isinstance(found, list) and path.count(".") < _DEEPEST:
        for index, one in enumerate(found):
            yield from _walk(one, f"{path}.{index}" if path else str(index), key, place, None)


def _members(found: dict[str, Any], path: str, key: str, place: str) -> Iterator[JsonValue]:
    if path.count(".") >= _DEEPEST:
        return
    where = place_of(key) if key else ""
    if where is None:
        return
    for name, one in found.items():
        if "." not in name and name != "unit":  # a key with a dot has no path
            unit = _text(found.get(f"{name}_unit"))
            yield from _walk(one, f"{path}.{name}" if path else name, name, where or place, unit)


def begins_with_number(text: str) -> bool:
    """Whether a text is a number, with a unit if need be."""
    try:
        split_number_and_unit(text)
    except ValueError:
        return False
    return True


def _text(found: Any) -> str | None:
    return found if isinstance(found, str) and found.strip() else None
