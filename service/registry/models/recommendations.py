"""Recommendations as the registry stores them: their state, and a row's values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Final


class State(StrEnum):
    """The state of a recommendation."""

    OPEN = "open"
    SNOOZED = "snoozed"
    DONE = "done"
    DISMISSED = "dismissed"
    CLEARED = "cleared"  # its cause went away by itself


ACTIVE_STATES: Final = (State.OPEN, State.SNOOZED)
"""States of what is still to be done, today or later."""

MARKED_STATES: Final = (State.DONE, State.DISMISSED)
"""States that a person gave and that end a recommendation."""


@dataclass(frozen=True, slots=True)
class Urgency:
    """What the place of a recommendation among others hangs on; fields as of the recommendation."""

    id: str
    severity: int
    due: datetime | None
    first_seen: datetime

    @property
    def rank(self) -> tuple[int, float, datetime, str]:
        """Sorts the most urgent first: by severity, then by due time, then by age."""
        due = float("inf") if self.due is None else self.due.timestamp()
        return -self.severity, due, self.first_seen, self.id


@dataclass(frozen=True, slots=True)
class StoredRecommendation:
    """The values of one row; what the finding means is known to ``service.advice`` only.

    Attributes:
        code: of the rule.
        subject: tells two of one rule apart; may be "".
        severity: 1 (info) to 4 (urgent).
        first_seen, last_seen, snoozed_until: UTC.
        finding: JSON document of the last finding.
        due: UTC, of the finding; None where it has none.
    """

    id: str
    tank: str
    code: str
    subject: str
    severity: int
    state: State
    first_seen: datetime
    last_seen: datetime
    snoozed_until: datetime | None
    folded: bool
    finding: Mapping[str, Any]
    due: datetime | None = None
