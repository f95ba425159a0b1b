"""How far a derived value can be trusted, and estimates with their interval."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Quality(StrEnum):
    """How far a derived value can be trusted."""

    GOOD = "good"
    SUSPECT = "suspect"
    STALE = "stale"


@dataclass(frozen=True, slots=True)
class EstimatedValue:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float
