"""Change events: what a step changed in a tank's recommendations, decided in this module only.

The ledger, the registry's event log, webhooks and MQTT all use the same events.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from service.advice.engine.documents import recommendation_document
from service.advice.engine.recommendation import Finding, Recommendation, most_urgent_first
from service.registry.events import NewEvent
from service.registry.recommendations import ACTIVE_STATES, State

DUE_MOVES: Final = timedelta(hours=1)
"""A due time that moves by less is no change. Our choice."""

AMOUNT_MOVES: Final = 0.2
"""Water, a dose or a salt that differs by less than this share of what is measured out altogether
is no change. Our choice."""

MEASURED_OUT: Final = frozenset({"L", "mL", "g"})
"""Units of what a person measures out; other amounts describe what was seen."""


class ChangeKind(StrEnum):
    """What happened to a recommendation, in the order in which events of one step are given."""

    CLEARED = "cleared"  # its cause went away, or a log entry did the job
    MARKED = "marked"  # a person marked it as done, dismissed or snoozed
    CHANGED = "changed"  # still open, and a person would now act differently
    OPENED = "opened"  # new, or open again


@dataclass(frozen=True, slots=True)
class ChangeEvent:
    """One change of one recommendation, with the recommendation as it is afterwards."""

    kind: ChangeKind
    recommendation: Recommendation

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
    before: Iterable[Recommendation], after: Sequence[Recommendation], now: datetime
) -> LedgerChange:
    """What the step from ``before`` to ``after`` changed.

    A text that moves with every reading is no change each time. A change is another severity,
    another place in or out of the short list, another direction, a due time that moves by
    ``DUE_MOVES``, or an amount to measure out that moves by ``AMOUNT_MOVES``; compared with what
    was published last, so that many small moves add up.
    """
    was = {one.id: one for one in before}
    events: list[ChangeEvent] = []
    stored: list[Recommendation] = []
    for one in after:
        kind = _kind(was.get(one.id), one, now)
        if kind is not None and one.state is State.OPEN:
            one = replace(one, extra={**one.extra, "published": _facts(one, now)})
        if kind is not None:
            events.append(ChangeEvent(kind, one))
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


def _kind(old: Recommendation | None, new: Recommendation, now: datetime) -> ChangeKind | None:
    if new.state is State.OPEN:
        if old is None or old.state is not State.OPEN:
            return ChangeKind.OPENED
        return ChangeKind.CHANGED if _acts_differently(old, new, now) else None
    if old is None or (old.state, old.snoozed_until) == (new.state, new.snoozed_until):
        return None
    by_itself = new.state is State.CLEARED or "closed_by" in new.extra
    return ChangeKind.CLEARED if by_itself else ChangeKind.MARKED


def _acts_differently(old: Recommendation, new: Recommendation, now: datetime) -> bool:
    """Whether a person who knows what was published last would now act differently."""
    last, present = old.extra.get("published") or _facts(old, old.last_seen), _facts(new, now)
    if any(last[name] != present[name] for name in ("severity", "folded", "moves")):
        return True
    if _amounts_moved(last["amounts"], present["amounts"]):
        return True
    before = {"time": old.last_seen.timestamp(), "due": _seconds(old.finding.due)}
    return _due_moved(last, present) or _due_moved(before, present)


def _facts(one: Recommendation, now: datetime) -> dict[str, Any]:
    """What a person acts on, as a JSON document; times in seconds since 1970."""
    finding = one.finding
    return {
        "time": now.timestamp(),
        "severity": int(finding.severity),
        "folded": one.folded,
        "moves": sorted(map(str, finding.moves)),
        "amounts": _measured_out(finding),
        "due": _seconds(finding.due),
    }


def _seconds(moment: datetime | None) -> float | None:
    return None if moment is None else moment.timestamp()


def _measured_out(finding: Finding) -> dict[str, dict[str, float]]:
    """Amounts to measure out: value by name by unit."""
    found: dict[str, dict[str, float]] = {}
    for one in finding.amounts:
        if one.unit in MEASURED_OUT:
            found.setdefault(one.unit, {})[one.name] = one.value
    return found


def _amounts_moved(
    last: Mapping[str, Mapping[str, float]], present: Mapping[str, Mapping[str, float]]
) -> bool:
    for unit in {*last, *present}:
        one, other = last.get(unit, {}), present.get(unit, {})
        most = max([*one.values(), *other.values()])
        for name in {*one, *other}:
            if abs(one.get(name, 0.0) - other.get(name, 0.0)) > AMOUNT_MOVES * most:
                return True
    return False


def _due_moved(last: Mapping[str, Any], present: Mapping[str, Any]) -> bool:
    """Whether the due time moved, and did not just stay as far ahead as it was."""
    if last["due"] is None or present["due"] is None:
        return bool(last["due"] != present["due"])
    by_s, passed_s = present["due"] - last["due"], present["time"] - last["time"]
    least_s = DUE_MOVES.total_seconds()
    return bool(abs(by_s) >= least_s and abs(by_s - passed_s) >= least_s)
