"""Observations on a scale and their steps, as typed values; names as in the JSON."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class ObservationScale:
    """One kind of observation; ``steps`` describe the levels from 0 to 5."""

    kind: str
    title: str
    group: str
    steps: list[str]


@dataclass(frozen=True, slots=True)
class Observation:
    """What was seen at one moment, and what its level means."""

    entry: str
    time: datetime
    kind: str
    title: str
    level: int
    step: str
    note: str
    by: str
