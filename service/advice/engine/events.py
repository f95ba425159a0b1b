"""What a change of the ledger is worth telling other programs: events for the registry's log."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.documents import recommendation_document
from service.advice.engine.lifecycle import LedgerChange
from service.advice.engine.recommendation import Recommendation
from service.registry.events import NewEvent

OPENED: Final = "recommendation.opened"
CHANGED: Final = "recommendation.changed"
CLEARED: Final = "recommendation.cleared"

DUE_MOVES: Final = timedelta(hours=1)
"""A due time that moves by less is no news. Our choice."""


def news_of(
    before: Iterable[Recommendation], change: LedgerChange, now: datetime
) -> list[NewEvent]:
    """Events of one tank, in the order they are to be told.

    A recommendation whose text moves with every reading is not news each time: it is when its
    severity changes, or its due time by ``DUE_MOVES`` or more.

    Args:
        before: the recommendations as they were, at least those that changed.
    """
    was = {one.id: one for one in before}
    changed = [one for one in change.changed if _is_news(was[one.id], one)]
    return [
        NewEvent(type, one.id, one.tank, now, recommendation_document(one))
        for type, ones in ((CLEARED, change.cleared), (CHANGED, changed), (OPENED, change.opened))
        for one in ones
    ]


def _is_news(old: Recommendation, new: Recommendation) -> bool:
    was, due = old.finding.due, new.finding.due
    if old.finding.severity != new.finding.severity or (was is None) != (due is None):
        return True
    return was is not None and due is not None and abs(due - was) >= DUE_MOVES
