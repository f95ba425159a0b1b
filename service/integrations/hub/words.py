"""Recommendations in words for a hub: members of recommendations as the API gives them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.advice.engine.documents import recommendation_document
from service.advice.engine.history.change_events import ChangeKind, LedgerChange
from service.advice.engine.recommendation import Recommendation
from service.integrations.hub.entities import EVENT_TYPES
from service.registry.models.recommendations import State

_MEMBERS: Final = (
    "id", "tank", "code", "subject", "severity", "title", "action", "amounts", "cautions", "who",
    "due",
)  # fmt: skip


def words_of(one: Recommendation) -> dict[str, Any]:
    """What to do, with amounts, due time and cautions.

    ``asks`` names the numbers that only who did it knows: such a one is done on the tank's page.
    """
    document = recommendation_document(one)
    asks = (document["log"] or {}).get("asks", [])
    return {**{name: document[name] for name in _MEMBERS}, "asks": asks}


def to_do(change: LedgerChange, published: Mapping[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """The words of the short list, most urgent first.

    Args:
        published: words by id as published before; they stay where a person would not act
            differently.
    """
    fresh = {one.id for one in change.of(ChangeKind.OPENED, ChangeKind.CHANGED)}
    return [
        published[one.id] if one.id in published and one.id not in fresh else words_of(one)
        for one in change.current
        if one.state is State.OPEN and not one.folded
    ]


def events_of(change: LedgerChange) -> list[dict[str, Any]]:
    """The changes as events for a hub, each with the words.

    ``severity_before`` tells one that becomes urgent from one that was, before a restart too.
    """
    return [
        {
            "event_type": event.kind.value,
            **words_of(event.recommendation),
            "severity_before": before.word if (before := event.severity_before) else None,
        }
        for event in change.events
        if event.kind.value in EVENT_TYPES
    ]
