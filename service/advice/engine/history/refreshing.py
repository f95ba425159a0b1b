"""When a recommendation whose figures alone moved is stored: not at each evaluation.

Its last moment and the numbers in its words change with every reading. Each write to a file wears a
memory card, and a home at rest would write 90 MB a day of them. So what a person acts on is stored
at once, and the figures every few minutes; each has its own time beside it. Meanwhile the latest
one is known to the process that evaluates.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from service.advice.engine.history.change_events import acts_differently
from service.advice.engine.history.lifecycle import WORST
from service.advice.engine.recommendation import Finding, Recommendation
from service.registry.models.recommendations import StoredRecommendation

FIGURES_STORED_EVERY: Final = timedelta(minutes=10)
"""Figures that are stored are this old at most, and stored when the clock has gone on by so much:
those of all recommendations together, whenever each was opened. Our choice."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER: Final = re.compile(r"\d+(?:[.,:]\d+)*")


class LatestFigures:
    """Recommendations that are newer than what is stored of them; used by one thread at a time."""

    def __init__(self, stored_every: timedelta = FIGURES_STORED_EVERY) -> None:
        """None is.

        Args:
            stored_every: 0 for a database whose writes wear nothing.
        """
        self._stored_every = stored_every
        #: tank -> id -> what is stored, and the newer one.
        self._newer: dict[str, dict[str, tuple[StoredRecommendation, Recommendation]]] = {}

    def of(self, stored: StoredRecommendation, read: Recommendation) -> Recommendation:
        """The newer one, where what is stored is still what it was made from.

        Args:
            read: what is stored, read.
        """
        known = self._newer.get(stored.tank, {})
        row, newer = known.get(stored.id, (stored, read))
        if row == stored:
            return newer
        del known[stored.id]  # it was stored since, or somebody marked it
        return read

    def wait(
        self, stored: StoredRecommendation, read: Recommendation, after: Recommendation
    ) -> bool:
        """Whether one need not be stored yet; it is known from now on.

        Args:
            stored, read: what is stored of it, and the same, read.
            after: as it is now.
        """
        if self._is_due(read.last_seen, after.last_seen):
            return False
        if not _differ_in_figures_alone(read, after):
            return False
        self._newer.setdefault(stored.tank, {})[stored.id] = (stored, after)
        return True

    def forget(self, tank: str) -> None:
        """A tank is no longer evaluated here."""
        self._newer.pop(tank, None)

    def _is_due(self, stored: datetime, now: datetime) -> bool:
        every = self._stored_every
        return not every or (stored - _EPOCH) // every != (now - _EPOCH) // every


def _differ_in_figures_alone(before: Recommendation, after: Recommendation) -> bool:
    """Whether nobody would act differently, and their words are the same but for numbers."""
    same = replace(after, finding=before.finding, last_seen=before.last_seen, extra=before.extra)
    return (
        same == before
        and _without_worst(before.extra) == _without_worst(after.extra)
        and not acts_differently(before, after)
        and _without_figures(before.finding) == _without_figures(after.finding)
    )


def _without_worst(extra: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in extra.items() if name != WORST}


def _without_figures(finding: Finding) -> tuple[object, ...]:
    """What is done, by whom and with which cautions; whom to call, to the last digit."""
    words = finding.title, finding.action, finding.keeper_action
    work = finding.hazards, finding.cautions, finding.who, finding.contact
    log = None if finding.log is None else (finding.log.kind, dict(finding.log.asks))
    rest = finding.refuses, finding.closed_by, finding.due is None, log
    return (*(_NUMBER.sub("", one) for one in words), *work, *rest)
