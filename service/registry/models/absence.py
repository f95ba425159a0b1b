"""Absences of the tank keeper."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Absence:
    """From-to in which the tank keeper is away.

    Attributes:
        covers: who keeps an eye on the tanks.
        tanks: ids; empty means all.
        contact: how the tank keeper can be reached meanwhile; "": as each tank says.
    """

    id: str
    start: datetime
    end: datetime
    covers: str = ""
    tanks: tuple[str, ...] = ()
    note: str = ""
    contact: str = ""
