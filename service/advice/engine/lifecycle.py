"""From findings to recommendations with a history: pure, one tank at a time.

A finding is known by its code and subject. While its cause lasts, its recommendation keeps its
id; a gap shorter than the rule's hold does not end it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final

from service.advice.engine.catalogue import RULE_OF
from service.advice.engine.conflicts import contradiction
from service.advice.engine.recommendation import (
    Evidence,
    Finding,
    Recommendation,
    Severity,
    State,
)
from service.advice.engine.rule import Standing
from service.registry.models import LogEntry

MOST_UNFOLDED: Final = 5
"""So many open recommendations of a tank stand in full; the rest is folded. Our choice."""

STANDING_STATES: Final = (State.OPEN, State.SNOOZED)
MARKED_STATES: Final = (State.DONE, State.DISMISSED)
DEFAULT_HOLD = timedelta(minutes=30)
DEFAULT_SETTLE = timedelta(days=1)

Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class LedgerChange:
    """What one look at a tank changed.

    Attributes:
        opened: newly open, or open again after a snooze.
        changed: still open, with another severity, text, due or fold.
        cleared: open before and no longer: cleared by itself, or done by a log entry.
        current: all that stand now (open and snoozed), weightiest first.
    """

    opened: tuple[Recommendation, ...]
    changed: tuple[Recommendation, ...]
    cleared: tuple[Recommendation, ...]
    current: tuple[Recommendation, ...]


def key_of(one: Recommendation) -> Key:
    """What tells recommendations of a tank apart."""
    return one.finding.code, one.finding.subject


def lives(one: Recommendation) -> bool:
    """Whether its cause may still last: it stands, or was marked while the cause went on."""
    return one.state in STANDING_STATES or (
        one.state in MARKED_STATES and bool(one.extra.get("lasting"))
    )


def standing_of(known: Iterable[Recommendation]) -> Standing:
    """(code, subject) of everything whose cause may still last."""
    return frozenset(key_of(one) for one in known if lives(one))


def advanced(
    known: Sequence[Recommendation],
    tank: str,
    findings: Sequence[Finding],
    now: datetime,
    log: Sequence[LogEntry] = (),
) -> list[Recommendation]:
    """The recommendations of a tank after a look at it.

    Args:
        known: those that live; others are left alone.
        findings: of the tank at ``now``, without contradictions.
        log: entries of the tank, newest first.

    Returns:
        Every one of ``known``, as it is now, and the new ones.
    """
    living = {key_of(one): one for one in known if lives(one)}
    found = {(one.code, one.subject): one for one in findings}
    result: list[Recommendation] = []
    for key, finding in found.items():
        result += _seen(living.get(key), tank, finding, now)
    for key, one in living.items():
        if key not in found:
            result.append(_unseen(one, now, log, findings))
    return folded(result)


def change_between(
    before: Sequence[Recommendation], after: Sequence[Recommendation]
) -> LedgerChange:
    """What the step from ``before`` to ``after`` changed, for integrations."""
    was = {one.id: one for one in before}
    opened, changed, cleared = [], [], []
    for one in after:
        old = was.get(one.id)
        was_open = old is not None and old.state is State.OPEN
        if one.state is State.OPEN:
            if not was_open:
                opened.append(one)
            elif old is not None and _differs(old, one):
                changed.append(one)
        elif was_open:
            cleared.append(one)
    current = tuple(one for one in weightiest_first(after) if one.state in STANDING_STATES)
    return LedgerChange(tuple(opened), tuple(changed), tuple(cleared), current)


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


def weightiest_first(ones: Iterable[Recommendation]) -> list[Recommendation]:
    """By severity, then by when it is due, then by how long it stands."""

    def weight(one: Recommendation) -> tuple[int, float, datetime, str]:
        due = one.finding.due
        return (
            -one.finding.severity,
            float("inf") if due is None else due.timestamp(),
            one.first_seen,
            one.id,
        )

    return sorted(ones, key=weight)


def folded(ones: Sequence[Recommendation]) -> list[Recommendation]:
    """The same, with all but the weightiest open ones folded."""
    open_ones = weightiest_first(one for one in ones if one.state is State.OPEN)
    unfolded = {one.id for one in open_ones[:MOST_UNFOLDED]}
    return [replace(one, folded=one.state is State.OPEN and one.id not in unfolded) for one in ones]


def new_id(tank: str, finding: Finding, first_seen: datetime) -> str:
    """An id for a recommendation: the same for the same cause seen first at the same moment."""
    text = "\n".join((tank, finding.code, finding.subject, first_seen.isoformat()))
    return f"{finding.code}-{hashlib.blake2s(text.encode(), digest_size=6).hexdigest()}"


def _seen(
    one: Recommendation | None, tank: str, finding: Finding, now: datetime
) -> list[Recommendation]:
    """What becomes of a recommendation whose cause is seen."""
    if one is None:
        return [_opened(tank, finding, now)]
    worse = finding.severity > int(one.extra.get("severity", Severity.URGENT))
    fresh = replace(one, finding=finding, last_seen=now)
    if one.state is State.SNOOZED:
        over = one.snoozed_until is None or one.snoozed_until <= now
        if over or worse:
            return [replace(fresh, state=State.OPEN, snoozed_until=None)]
        return [fresh]
    if one.state in MARKED_STATES:
        outlived = one.state is State.DONE and now - _marked_at(one) > settle_of(one)
        if worse or outlived:
            done = replace(one, extra={**one.extra, "lasting": False})
            return [done, _opened(tank, _again(finding, one, now), now)]
    return [fresh]


def _unseen(
    one: Recommendation, now: datetime, log: Sequence[LogEntry], findings: Sequence[Finding]
) -> Recommendation:
    """What becomes of a recommendation whose cause is not seen."""
    gone = now - one.last_seen >= hold_of(one)
    if one.state in MARKED_STATES:
        return replace(one, extra={**one.extra, "lasting": False}) if gone else one
    entry = _closing(one, log, now)
    if entry is not None:
        extra = {**one.extra, "closed_by": entry.id, "lasting": False}
        return replace(one, state=State.DONE, snoozed_until=None, extra=extra)
    contradicted = any(contradiction(one.finding, other) for other in findings)
    if gone or contradicted:
        return replace(one, state=State.CLEARED, snoozed_until=None)
    return one


def _opened(tank: str, finding: Finding, now: datetime) -> Recommendation:
    return Recommendation(new_id(tank, finding, now), tank, finding, State.OPEN, now, now)


def _again(finding: Finding, before: Recommendation, now: datetime) -> Finding:
    """The finding with the word that it was marked before and still is so."""
    at = _marked_at(before)
    text = f"marked {before.state} on {at:%d %b %H:%M} UTC, and still so"
    return replace(finding, evidence=(*finding.evidence, Evidence(text, "marked", time=at)))


def _closing(one: Recommendation, log: Sequence[LogEntry], now: datetime) -> LogEntry | None:
    """The log entry that did the job since the cause began."""
    since = one.finding.since or one.first_seen
    for entry in log:
        if entry.kind in one.finding.closed_by and since <= entry.time <= now:
            return entry
    return None


def _marked_at(one: Recommendation) -> datetime:
    text = one.extra.get("marked")
    return one.last_seen if text is None else datetime.fromisoformat(str(text))


def hold_of(one: Recommendation) -> timedelta:
    """How long the cause must be gone; a rule that no longer exists has the usual."""
    rule = RULE_OF.get(one.finding.code)
    return DEFAULT_HOLD if rule is None else rule.hold


def settle_of(one: Recommendation) -> timedelta:
    """How long after "done" the same cause does not count again."""
    rule = RULE_OF.get(one.finding.code)
    return DEFAULT_SETTLE if rule is None else rule.settle


def _differs(old: Recommendation, new: Recommendation) -> bool:
    def told(one: Recommendation) -> Mapping[str, Any]:
        finding = one.finding
        return {
            "severity": finding.severity,
            "title": finding.title,
            "action": finding.action,
            "due": finding.due,
            "folded": one.folded,
        }

    return told(old) != told(new)
