"""Instructions, findings of rules, and recommendations: findings with a history."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import IntEnum
from types import MappingProxyType
from typing import Any

from service.advice.engine.levers import Move
from service.advice.engine.work import Hazard, Who
from service.registry.models.recommendations import State, Urgency


class Severity(IntEnum):
    """How much it matters, in rising order; the lower-case name is the word in JSON."""

    INFO = 1
    ADVICE = 2
    WARNING = 3
    URGENT = 4

    @property
    def word(self) -> str:
        """The word in JSON."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Evidence:
    """One fact that a recommendation rests on.

    Attributes:
        text: one sentence for a person.
        name: what was compared, e.g. ``co2``.
        value, unit: the value and its UCUM code, where there is one.
        threshold: what it was compared with, same unit.
        time: when it was so.
        source: published source, or ``common practice, no source``, or ``sensor NAME``.
    """

    text: str
    name: str = ""
    value: float | None = None
    unit: str = ""
    threshold: float | None = None
    time: datetime | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Amount:
    """How much of what: ``{"name": "water", "value": 90.0, "unit": "L"}``.

    Attributes:
        estimated: an estimate of what there is, nothing that anybody measures out.
    """

    name: str
    value: float
    unit: str
    estimated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruction:
    """What a person is asked to do, in the words that every form shows.

    Attributes:
        title: a short line with the amount.
        action: what to do, with amounts.
        cautions: what to mind; empty only where the work meets no hazard.
        amounts: of water, fertiliser and the like.
        reasons: what it rests on.
        due: by when, UTC; None: no hurry.
        who: who may do it.
    """

    title: str
    action: str
    cautions: tuple[str, ...]
    amounts: tuple[Amount, ...] = ()
    reasons: tuple[Evidence, ...] = ()
    due: datetime | None = None
    who: Who = Who.ANYONE

    @property
    def instruction(self) -> Instruction:
        """Itself: what shows instructions takes recommendations, tasks and emergencies alike."""
        return self


@dataclass(frozen=True, slots=True)
class LogDraft:
    """The log entry that doing something leaves.

    Attributes:
        kind: of the entry.
        data: what is known of it, by the keys under which it is stored.
        asks: what only who did it knows: name of the field by that key.
    """

    kind: str
    data: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    asks: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class Finding:
    """What one rule found about one tank at one moment; the ledger makes a recommendation of it.

    Attributes:
        code: stable code of the rule, e.g. ``co2-below-target``.
        subject: tells two findings of one rule apart (a sensor, a species, a dose); may be "".
        title: a short line.
        action: what to do, with amounts, for the colleague.
        due: by when, UTC; None where there is no hurry.
        confidence: 0 to 1: how sure the evidence is.
        closed_by: log kinds that, when logged later than ``since``, do the job.
        since: when the cause began, UTC.
        moves: the levers that following it moves, and which way.
        refuses: moves that must not be made meanwhile: "leave the flow as it is". Two findings of
            which one moves a lever and the other moves it the other way, or refuses that, are
            never given together.
        hazards: what the work meets that can hurt.
        cautions: what has to be said with it; the engine gives them, by hazards and tank.
        who: who may do the action.
        keeper_action: what is left to the tank keeper where anyone may do the action; else "".
        log: the entry that doing it leaves; None: an observation that it was done.
        contact: how to reach the tank keeper, where it is urgent; the engine gives it.
    """

    code: str
    severity: Severity
    title: str
    action: str
    evidence: tuple[Evidence, ...]
    subject: str = ""
    amounts: tuple[Amount, ...] = ()
    due: datetime | None = None
    hazards: tuple[Hazard, ...] = ()
    cautions: tuple[str, ...] = ()
    confidence: float = 0.8
    closed_by: tuple[str, ...] = ()
    since: datetime | None = None
    moves: tuple[Move, ...] = ()
    refuses: tuple[Move, ...] = ()
    who: Who = Who.ANYONE
    keeper_action: str = ""
    log: LogDraft | None = None
    contact: str = ""

    @property
    def distance(self) -> float:
        """How far the first evidence with a limit lies from it; 0 where none has one."""
        for one in self.evidence:
            if one.value is not None and one.threshold is not None:
                return abs(one.value - one.threshold)
        return 0.0

    @property
    def instruction(self) -> Instruction:
        """The words of the finding, once the engine has completed it."""
        call = f"Call the tank keeper: {self.contact}." if self.contact else ""
        return Instruction(
            title=self.title,
            action=" ".join(filter(None, (self.action, self.keeper_action, call))),
            cautions=self.cautions,
            amounts=self.amounts,
            reasons=self.evidence,
            due=self.due,
            who=self.who,
        )


UNSEEN = "unseen"
"""In what is stored besides: the latest evaluation did not find the condition."""


@dataclass(frozen=True, slots=True)
class Recommendation:
    """A finding with its history.

    Attributes:
        id: stable as long as the cause lasts.
        first_seen, last_seen: UTC.
        snoozed_until: UTC, while ``state`` is snoozed.
        folded: True where more urgent ones of the tank come first.
    """

    id: str
    tank: str
    finding: Finding
    state: State
    first_seen: datetime
    last_seen: datetime
    snoozed_until: datetime | None = None
    folded: bool = False
    extra: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def urgency(self) -> Urgency:
        """Its place among others."""
        return Urgency(self.id, self.finding.severity, self.finding.due, self.first_seen)

    @property
    def instruction(self) -> Instruction:
        """What it asks for, in the words that every form shows.

        A condition that was not found at the latest evaluation, and is not cleared yet, says so and
        asks for nothing any more.
        """
        words = self.finding.instruction
        if self.state is not State.OPEN or not self.extra.get(UNSEEN):
            return words
        return replace(
            words,
            title=f"No longer seen: {words.title}",
            action="Nothing to do now: the latest evaluation did not find it. If that lasts, it "
            "leaves the list by itself.",
            amounts=(),
            due=None,
        )


def most_urgent_first(ones: Iterable[Recommendation]) -> list[Recommendation]:
    """Recommendations by severity, then by due time, then by age."""
    return sorted(ones, key=lambda one: one.urgency.rank)
