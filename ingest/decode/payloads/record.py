"""Records: what every payload format is parsed to, records of one value each, not yet converted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from ingest.decode.message import PayloadError

_SEPARATORS: Final = "/:._-"


class Record(NamedTuple):
    """One value as a payload has it.

    Attributes:
        value: finite number, in ``unit``.
        unit: as written; None where the payload has none.
        time: the device's time as written (seconds, milliseconds, text); None where it has none.
        ago_us: how long before its arrival it was measured, where the payload has only that.
        tank, quantity, sensor: where the payload names them.
        name: a name from which quantity and sensor are still to be read (``split_name``).
        numbered: the payload has a sequence number.
        optional: a document may have it or not: where it means no quantity, it is ignored.
    """

    value: float
    unit: str | None = None
    time: object = None
    ago_us: int | None = None
    tank: str | None = None
    quantity: str | None = None
    sensor: str | None = None
    name: str | None = None
    numbered: bool = False
    optional: bool = False


class Paths(NamedTuple):
    """Dotted paths into a JSON document: of the value, the device's time, the sequence number."""

    value: str | None = None
    time: str | None = None
    sequence: str | None = None


NO_PATHS: Final = Paths()


@dataclass(frozen=True, slots=True)
class Parsed:
    """The records of a payload, and the faults of those that could not be understood."""

    records: tuple[Record, ...]
    faults: tuple[PayloadError, ...] = field(default=())


def split_name(name: str, words: Mapping[str, str]) -> tuple[str | None, str | None]:
    """Read quantity and sensor from a name such as ``urn:dev:ow:10e2073a01:temperature``.

    Args:
        name: any text; its end names the quantity, what is before that the sensor.
        words: what it may end in -> the quantity it means.

    Returns:
        Quantity and sensor, each None where the name does not contain it.
    """
    lowered = name.lower()
    for word in sorted(words, key=len, reverse=True):
        if lowered == word.lower():
            return words[word], None
        if lowered.endswith(word.lower()) and lowered[-len(word) - 1] in _SEPARATORS:
            return words[word], name[: -len(word)].strip(_SEPARATORS) or None
    return None, name.strip(_SEPARATORS) or None


def split_end(name: str) -> tuple[str | None, str]:
    """The last word of a name, which may have ``_`` and ``-`` in it, and what is before it."""
    at = max(name.rfind(separator) for separator in "/:.")
    return name[: max(at, 0)].strip(_SEPARATORS) or None, name[at + 1 :]
