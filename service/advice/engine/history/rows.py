"""Recommendations to rows of the registry, and back."""

from __future__ import annotations

from service.advice.engine.recommendation import Finding, Recommendation
from service.registry.documents import from_document, to_document
from service.registry.models.recommendations import StoredRecommendation


def stored_of(one: Recommendation) -> StoredRecommendation:
    """The row of a recommendation."""
    return StoredRecommendation(
        id=one.id,
        tank=one.tank,
        code=one.finding.code,
        subject=one.finding.subject,
        severity=int(one.finding.severity),
        state=one.state,
        first_seen=one.first_seen,
        last_seen=one.last_seen,
        snoozed_until=one.snoozed_until,
        folded=one.folded,
        finding={"finding": to_document(one.finding), "extra": dict(one.extra)},
        due=one.finding.due,
    )


def recommendation_of(stored: StoredRecommendation) -> Recommendation:
    """The recommendation of a row."""
    return Recommendation(
        id=stored.id,
        tank=stored.tank,
        finding=from_document(stored.finding["finding"], Finding),
        state=stored.state,
        first_seen=stored.first_seen,
        last_seen=stored.last_seen,
        snoozed_until=stored.snoozed_until,
        folded=stored.folded,
        extra=stored.finding["extra"],
    )
