"""Recommendations as JSON documents, the same for MQTT, webhooks and pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from service.advice.engine.recommendation import Evidence, Recommendation, Severity
from service.times import format_moment


def recommendation_document(one: Recommendation) -> dict[str, Any]:
    """One recommendation; times RFC 3339 UTC, quantities with UCUM codes."""
    finding = one.finding
    return {
        "id": one.id,
        "tank": one.tank,
        "code": finding.code,
        "subject": finding.subject,
        "severity": finding.severity.word,
        "state": one.state.value,
        "title": finding.title,
        "action": finding.action,
        "amounts": [
            {"name": amount.name, "value": amount.value, "unit": amount.unit}
            for amount in finding.amounts
        ],
        "evidence": [evidence_document(each) for each in finding.evidence],
        "cautions": list(finding.cautions),
        "confidence": finding.confidence,
        "due": time_text(finding.due),
        "since": time_text(finding.since),
        "first_seen": time_text(one.first_seen),
        "last_seen": time_text(one.last_seen),
        "snoozed_until": time_text(one.snoozed_until),
        "folded": one.folded,
    }


def evidence_document(one: Evidence) -> dict[str, Any]:
    """One fact; value and threshold only where there are any."""
    document: dict[str, Any] = {"text": one.text, "name": one.name, "source": one.source}
    if one.value is not None:
        document["value"] = {"value": one.value, "unit": one.unit}
    if one.threshold is not None:
        document["threshold"] = {"value": one.threshold, "unit": one.unit}
    if one.time is not None:
        document["time"] = time_text(one.time)
    return document


def summary_document(tank: str, current: Sequence[Recommendation], now: datetime) -> dict[str, Any]:
    """The summary of a tank's open recommendations: counts, the worst, the titles."""
    words = Counter(one.finding.severity.word for one in current)
    return {
        "tank": tank,
        "time": time_text(now),
        "open": len(current),
        "worst": max((one.finding.severity for one in current), default=Severity(1)).word
        if current
        else None,
        "counts": {severity.word: words[severity.word] for severity in Severity},
        "titles": [one.finding.title for one in current if not one.folded],
    }


def time_text(moment: datetime | None) -> str | None:
    """RFC 3339 UTC with ``Z``; None stays None."""
    return None if moment is None else format_moment(moment)
