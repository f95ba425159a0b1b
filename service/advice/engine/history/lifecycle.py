"""Lifecycle of recommendations, from findings to a history: pure, one tank at a time.

A condition is identified by the code and subject of its findings. While it is active, its
recommendation keeps its id; a gap shorter than the rule's clear delay does not end it.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final

from service.advice.engine.bounds import cleared_beyond_bound
from service.advice.engine.catalogue import RULE_OF
from service.advice.engine.conflicts import contradiction
from service.advice.engine.history.shown import LESS_SINCE, finding_shown, less_since
from service.advice.engine.recommendation import (
    UNSEEN,
    Evidence,
    Finding,
    Recommendation,
    Severity,
    most_urgent_first,
)
from service.registry.models.log import LogEntry
from service.registry.models.recommendations import ACTIVE_STATES, MARKED_STATES, State

MOST_UNFOLDED: Final = 5
"""So many open recommendations of a tank are in the short list; the rest is folded. Our choice."""

FLAP_MEMORY: Final = timedelta(hours=12)
"""A condition that comes back so soon after it cleared is at its limit ..."""

FLAP_DELAY: Final = timedelta(hours=3)
"""... and must then be gone for so long before it clears, and for as much more each time it came
back. Our choice."""

DEFAULT_CLEAR_DELAY = timedelta(minutes=30)
DEFAULT_SETTLING = timedelta(days=1)

BACK: Final = "back"
"""In what is stored besides: so many of the same condition had cleared of late when it opened."""

WORST: Final = "worst"
"""In what is stored besides: the title of the worst moment so far, and how bad it was."""

Key = tuple[str, str]


def key_of(one: Recommendation) -> Key:
    """The identity of a recommendation within its tank."""
    return one.finding.code, one.finding.subject


def may_last(one: Recommendation) -> bool:
    """Whether its condition may still be active: it stands, or was marked while active."""
    return lasts(one.state, one.extra)


def lasts(state: State, extra: Mapping[str, Any]) -> bool:
    """The same by the state of a recommendation and what is stored besides."""
    return state in ACTIVE_STATES or (state in MARKED_STATES and bool(extra.get("lasting")))


def advance(
    known: Sequence[Recommendation],
    tank: str,
    findings: Sequence[Finding],
    now: datetime,
    log: Sequence[LogEntry] = (),
    cleared: Iterable[Recommendation] = (),
) -> list[Recommendation]:
    """The recommendations of a tank after an evaluation.

    Args:
        known: those whose condition may be active; others are left alone.
        findings: of the tank at ``now``, without contradictions.
        log: entries of the tank, newest first.
        cleared: those that cleared of late: what comes back clears later.

    Returns:
        Every one of ``known``, as it is now, and the new ones.
    """
    lasting = {key_of(one): one for one in known if may_last(one)}
    found = {(one.code, one.subject): one for one in findings}
    result: list[Recommendation] = []
    moving = [one for one in findings if one.moves or one.refuses]
    back = Counter(key_of(one) for one in cleared if now - one.last_seen <= FLAP_MEMORY)
    for key, finding in found.items():
        one = lasting.get(key)
        if one is None:
            result.append(_opened(tank, finding, now, back[key]))
        else:
            others = [each for each in moving if each is not finding]
            shown = finding_shown(one, finding, now, clear_delay_of(one), log, others)
            result += _found(one, tank, finding, shown, now)
    for key, one in lasting.items():
        if key not in found:
            result.append(_not_found(one, now, log, moving))
    return folded(cleared_beyond_bound(result, frozenset(found)))


def marked(
    one: Recommendation, state: State, now: datetime, until: datetime | None = None
) -> Recommendation:
    """The recommendation after a person marked it.

    Args:
        state: done, dismissed, snoozed (with ``until``) or open again.
    """
    extra = {
        **one.extra,
        "marked": now.isoformat(),
        "severity": int(one.finding.severity),
        "lasting": True,
    }
    snoozed_until = until if state is State.SNOOZED else None
    return replace(one, state=state, snoozed_until=snoozed_until, folded=False, extra=extra)


def folded(ones: Sequence[Recommendation]) -> list[Recommendation]:
    """The same, with all but the most urgent open ones folded."""
    open_ones = most_urgent_first(one for one in ones if one.state is State.OPEN)
    unfolded = {one.id for one in open_ones[:MOST_UNFOLDED]}
    return [replace(one, folded=one.state is State.OPEN and one.id not in unfolded) for one in ones]


def new_id(tank: str, finding: Finding, first_seen: datetime) -> str:
    """An id for a recommendation: the same for the same cause seen first at the same moment."""
    text = "\n".join((tank, finding.code, finding.subject, first_seen.isoformat()))
    return f"{finding.code}-{hashlib.blake2s(text.encode(), digest_size=6).hexdigest()}"


def _found(
    one: Recommendation, tank: str, finding: Finding, shown: Finding, now: datetime
) -> list[Recommendation]:
    """What becomes of a recommendation whose condition is found."""
    worse = finding.severity > int(one.extra.get("severity", Severity.URGENT))
    extra = _with_worst(one.extra, finding)
    extra.pop(UNSEEN, None)
    extra.pop(LESS_SINCE, None)
    if shown is not finding:
        extra[LESS_SINCE] = less_since(one).isoformat()
    fresh = replace(one, finding=shown, last_seen=now, extra=extra)
    if one.state is State.SNOOZED:
        over = one.snoozed_until is None or one.snoozed_until <= now
        if over or worse:
            return [replace(fresh, state=State.OPEN, snoozed_until=None)]
        return [fresh]
    if one.state in MARKED_STATES:
        outlived = one.state is State.DONE and now - _marked_at(one) > settling_of(one)
        if worse or outlived:
            done = replace(one, extra={**one.extra, "lasting": False, "still_so": True})
            return [done, _opened(tank, _again(finding, one, now), now)]
    return [fresh]


def _not_found(
    one: Recommendation, now: datetime, log: Sequence[LogEntry], moving: Sequence[Finding]
) -> Recommendation:
    """What becomes of a recommendation whose condition is not found.

    Args:
        moving: the findings that would move something.
    """
    gone = now - one.last_seen >= clear_delay_of(one)
    if one.state in MARKED_STATES:
        return replace(one, extra={**one.extra, "lasting": False}) if gone else one
    entry = _closing(one, log, now)
    if entry is not None:
        extra = {**one.extra, "closed_by": entry.id, "lasting": False}
        return replace(one, state=State.DONE, snoozed_until=None, extra=extra)
    contradicted = any(contradiction(one.finding, other) for other in moving)
    if gone or contradicted:
        return replace(one, state=State.CLEARED, snoozed_until=None)
    return replace(one, extra={**one.extra, UNSEEN: True})


def _opened(tank: str, finding: Finding, now: datetime, back: int = 0) -> Recommendation:
    """A new recommendation.

    Args:
        back: so many of the same condition cleared of late.
    """
    extra = _with_worst({BACK: back} if back else {}, finding)
    id = new_id(tank, finding, now)
    return Recommendation(id, tank, finding, State.OPEN, now, now, extra=extra)


def _with_worst(extra: Mapping[str, Any], finding: Finding) -> dict[str, Any]:
    """What is stored besides, with the title of the worst moment so far."""
    rank = [int(finding.severity), finding.distance]
    before = extra.get(WORST)
    if before is not None and before["rank"] >= rank:
        return dict(extra)
    return {**extra, WORST: {"rank": rank, "title": finding.title}}


def _again(finding: Finding, before: Recommendation, now: datetime) -> Finding:
    """The finding with the evidence that it was marked before and is still so."""
    at = _marked_at(before)
    text = f"marked {before.state} on {at:%d %b %H:%M} UTC, and still so"
    return replace(finding, evidence=(*finding.evidence, Evidence(text, "marked", time=at)))


def _closing(one: Recommendation, log: Sequence[LogEntry], now: datetime) -> LogEntry | None:
    """The log entry that did the job since the condition began."""
    since = one.finding.since or one.first_seen
    for entry in log:
        if entry.kind in one.finding.closed_by and since <= entry.time <= now:
            return entry
    return None


def _marked_at(one: Recommendation) -> datetime:
    text = one.extra.get("marked")
    return one.last_seen if text is None else datetime.fromisoformat(str(text))


def clear_delay_of(one: Recommendation) -> timedelta:
    """How long the condition must be gone; what is of no rule has the default."""
    rule = RULE_OF.get(one.finding.code)
    own = DEFAULT_CLEAR_DELAY if rule is None else rule.clear_delay
    return max(own, int(one.extra.get(BACK, 0)) * FLAP_DELAY)


def settling_of(one: Recommendation) -> timedelta:
    """How long after "done" the same condition does not count again."""
    rule = RULE_OF.get(one.finding.code)
    return DEFAULT_SETTLING if rule is None else rule.settling
