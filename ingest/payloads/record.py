"""What every payload format yields: records of one value each, not yet converted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from ingest.message import PayloadError


class Record(NamedTuple):
    """One value as a payload says it.

    Attributes:
        value: finite number, in ``unit``.
        unit: as written; None where the payload says none.
        time: the device's time as written (seconds, milliseconds, text); None where it says none.
        time_us: the same, where the format itself defines its meaning (SenML).
        tank, quantity, sensor: where the payload names them.
    """

    value: float
    unit: str | None = None
    time: object = None
    time_us: int | None = None
    tank: str | None = None
    quantity: str | None = None
    sensor: str | None = None


@dataclass(frozen=True, slots=True)
class Parsed:
    """A payload taken apart: what could be understood and what could not."""

    records: tuple[Record, ...]
    faults: tuple[PayloadError, ...] = field(default=())
