"""Change events: what a step changed in a tank's recommendations, decided in this module only.

The ledger, the registry's event log, webhooks and MQTT all use the same events.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from service.advice.engine.documents import recommendation_document
from service.advice.engine.history.measured import amounts_moved, measured_out
from service.advice.engine.recommendation import Recommendation, Severity, most_urgent_first
from service.registry.models.events import NewEvent
from service.registry.models.recommendations import ACTIVE_STATES, State

DUE: Final = "due"
DUE_COUNT: Final = "due_moves"
DUE_MOVED: Final = "due_moved"
"""In what is stored besides: the due time, how often it has moved, and when it did last."""


class ChangeKind(StrEnum):
    """What happened to a recommendation, in the order in which events of one step are given."""

    CLEARED = "cleared"  # its cause went away, or a log entry did the job
    MARKED = "marked"  # a person marked it as done, dismissed or snoozed
    CHANGED = "changed"  # still open, and a person would now act differently
    OPENED = "opened"  # new, or open again


@dataclass(frozen=True, slots=True)
class ChangeEvent:
    """One change of one recommendation.

    Attributes:
        recommendation: as it is afterwards.
        severity_before: as it was stored; None where it was not open.
    """

    kind: ChangeKind
    recommendation: Recommendation
    severity_before: Severity | None = None

    @property
    def type(self) -> str:
        """The type of the event in the registry's log and for other programs."""
        return f"recommendation.{self.kind}"


@dataclass(frozen=True, slots=True)
class LedgerChange:
    """What one step changed in the recommendations of a tank.

    Attributes:
        events: the changes, in the order in which they are published.
        after: every recommendation after the step, to be stored.
        current: those that stand (open and snoozed), most urgent first.
    """

    events: tuple[ChangeEvent, ...]
    after: tuple[Recommendation, ...]
    current: tuple[Recommendation, ...]

    def of(self, *kinds: ChangeKind) -> tuple[Recommendation, ...]:
        """The recommendations that changed in one of these ways."""
        return tuple(one.recommendation for one in self.events if one.kind in kinds)


def change_between(
    before: Iterable[Recommendation], after: Sequence[Recommendation]
) -> LedgerChange:
    """What the step from ``before`` to ``after`` changed.

    A text that moves with every reading is no change each time, and a due time alone is none. A
    change is another severity, another place in or out of the short list, another direction, or an
    amount to measure out that moves (``amounts_moved``); compared with what was published last, so
    that many small moves add up.
    """
    was = {one.id: one for one in before}
    events: list[ChangeEvent] = []
    stored: list[Recommendation] = []
    for one in after:
        kind = _kind(was.get(one.id), one)
        if one.state is State.OPEN:
            one = with_due_counted(one)
        if kind is not None and one.state is State.OPEN:
            one = replace(one, extra={**one.extra, "published": _facts(one)})
        if kind is not None:
            events.append(ChangeEvent(kind, one, _open_severity(was.get(one.id))))
        stored.append(one)
    order = list(ChangeKind)
    events.sort(key=lambda event: order.index(event.kind))
    current = most_urgent_first(one for one in stored if one.state in ACTIVE_STATES)
    return LedgerChange(tuple(events), tuple(stored), tuple(current))


def log_events(change: LedgerChange, now: datetime) -> list[NewEvent]:
    """The same events for the registry's log."""
    return [
        NewEvent(
            event.type,
            event.recommendation.id,
            event.recommendation.tank,
            now,
            recommendation_document(event.recommendation),
        )
        for event in change.events
    ]


def _open_severity(one: Recommendation | None) -> Severity | None:
    return one.finding.severity if one is not None and one.state is State.OPEN else None


def _kind(old: Recommendation | None, new: Recommendation) -> ChangeKind | None:
    if new.state is State.OPEN:
        if old is None or old.state is not State.OPEN:
            return ChangeKind.OPENED
        return ChangeKind.CHANGED if acts_differently(old, new) else None
    if old is None or (old.state, old.snoozed_until) == (new.state, new.snoozed_until):
        return None
    by_itself = new.state is State.CLEARED or "closed_by" in new.extra
    return ChangeKind.CLEARED if by_itself else ChangeKind.MARKED


DUE_MOVES: Final = timedelta(hours=1)
"""A due time that moves by less is the same in a calendar. Our choice."""


def with_due_counted(one: Recommendation) -> Recommendation:
    """The recommendation with how often its due time has moved, which is no change by itself."""
    due = None if one.finding.due is None else one.finding.due.timestamp()
    if DUE not in one.extra:
        return replace(one, extra={**one.extra, DUE: due})
    before = one.extra[DUE]
    if before is None or due is None:
        moved = before != due
    else:
        moved = abs(due - before) >= DUE_MOVES.total_seconds()
    if not moved:
        return one
    count = int(one.extra.get(DUE_COUNT, 0)) + 1
    at = one.last_seen.isoformat()
    return replace(one, extra={**one.extra, DUE: due, DUE_COUNT: count, DUE_MOVED: at})


def acts_differently(old: Recommendation, new: Recommendation) -> bool:
    """Whether a person who knows what was published last would now act differently."""
    last, present = old.extra.get("published") or _facts(old), _facts(new)
    if any(last[name] != present[name] for name in ("severity", "folded", "moves")):
        return True
    return amounts_moved(last["amounts"], present["amounts"])


def _facts(one: Recommendation) -> dict[str, Any]:
    """What a person acts on, as a JSON document."""
    finding = one.finding
    return {
        "severity": int(finding.severity),
        "folded": one.folded,
        "moves": sorted(map(str, finding.moves)),
        "amounts": measured_out(finding),
    }
