"""A JSON document of several values: ``{"tempC": 24.5, "pH": 6.62, "rssi": -60}``.

Its keys name the quantities, with their unit and place (``quantity_words``); an object within it
names a place: ``{"rear": {"temp": 24.5}}``. What means no quantity is ignored.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from ingest.decode.message import PayloadError
from ingest.decode.payloads.json_value import (
    is_sequence,
    no_value,
    optional_text,
    scalar,
    value_at,
)
from ingest.decode.payloads.record import Parsed, Paths, Record
from ingest.decode.quantity_words import meant_by, place_of

MOST_VALUES: Final = 200
"""More than any sensor sends; a hostile document is not walked to its end."""
_ABOUT_ALL: Final = ("time", "sensor", "sequence", "unit")
_DEEPEST: Final = 3


def read_document(document: dict[str, Any], paths: Paths) -> Parsed:
    """Read the values of a document.

    Args:
        paths: of the device's time and the sequence number, where they are elsewhere.

    Raises:
        PayloadError: there is no value, or what is said of all values cannot be read.
    """
    time = _at(document, paths.time, "time_path", "time")
    sequence = _at(document, paths.sequence, "sequence_path", "sequence")
    numbered = is_sequence(sequence, paths.sequence)
    unit, sensor = (optional_text(document, key) for key in ("unit", "sensor"))
    records: list[Record] = []
    faults: list[PayloadError] = []
    inside = {key: value for key, value in document.items() if key not in _ABOUT_ALL}
    for count, (key, found, own_unit, place) in enumerate(_values(inside, "", _DEEPEST)):
        if count >= MOST_VALUES:
            break
        try:
            record = scalar(found, key)
        except PayloadError as error:
            if meant_by(key) is not None:
                faults.append(error)
            continue
        records.append(
            record._replace(
                unit=record.unit or own_unit or unit,
                time=time,
                quantity=key,
                sensor=sensor or place or None,
                numbered=numbered,
                optional=True,
            )
        )
    if not records and not faults:
        raise no_value(document)
    return Parsed(tuple(records), tuple(faults))


def _at(document: dict[str, Any], path: str | None, name: str, key: str) -> Any:
    return document.get(key) if path is None else value_at(document, path, name)


def _values(
    inside: dict[str, Any], place: str, depth: int
) -> Iterator[tuple[str, Any, str | None, str]]:
    """Key, value, unit and place of all that may be a value; lists have no names."""
    for key, found in inside.items():
        beside = inside.get(f"{key}_unit")
        unit = beside if isinstance(beside, str) else None
        if isinstance(found, dict):
            if "value" in found:
                own = found.get("unit")
                yield key, found["value"], own if isinstance(own, str) else unit, place
            elif depth > 1 and (where := place_of(key)) is not None:
                yield from _values(found, where or place, depth - 1)
        elif not isinstance(found, list | bool):
            yield key, found, unit, place
