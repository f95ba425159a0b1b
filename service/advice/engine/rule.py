"""Rules, and the case that a rule judges: one tank at one moment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from service.advice.engine.levers import Move
from service.advice.engine.practice import limit
from service.advice.engine.recommendation import Finding
from service.derive.models.tank_view import TankView
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank

ActiveConditions = frozenset[tuple[str, str]]
"""(code, subject) of each active condition: a rule clears it later than it raises it."""

NONE_ACTIVE: ActiveConditions = frozenset()


@dataclass(frozen=True)  # without slots, for what is computed once
class Case:
    """One tank at one moment, as a rule sees it."""

    view: TankView
    active_conditions: ActiveConditions = NONE_ACTIVE

    @property
    def tank(self) -> Tank:
        """The tank."""
        return self.view.tank

    @property
    def now(self) -> datetime:
        """The moment, UTC."""
        return self.view.now

    @cached_property
    def log_by_kind(self) -> Mapping[LogKind, Sequence[LogEntry]]:
        """What was logged up to now, by kind, newest first."""
        found: defaultdict[LogKind, list[LogEntry]] = defaultdict(list)
        for one in self.view.log:
            if one.time <= self.now:
                found[one.kind].append(one)
        return dict(found)

    def limit(self, name: str) -> float:
        """A threshold of practice as it is in force for this tank."""
        return limit(self.view.tank, name)

    def eased(self, value: float, share: float, code: str, subject: str = "") -> float:
        """A limit, or ``share`` of it while the condition is active.

        So what jitters around the limit does not clear it: a rule states its share.
        """
        return share * value if self.active(code, subject) else value

    def active(self, code: str, subject: str = "") -> bool:
        """Whether the condition is active already."""
        return (code, subject) in self.active_conditions


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    Attributes:
        code: stable; part of topics and addresses.
        about: when it raises a finding, one line.
        judge: its findings on a case; none where all is well or too little is known.
        clear_delay: the condition must be gone for so long before the recommendation clears, and
            be less severe or ask for other moves for so long before that counts.
        settling: so long after "done" the same condition does not count again: measures take time.
        may_move: the moves that its findings may ask for; all others it leaves alone.
        silent_while: states of the tank in which it says nothing.
    """

    code: str
    about: str
    judge: Callable[[Case], Iterable[Finding]]
    clear_delay: timedelta = timedelta(minutes=30)
    settling: timedelta = timedelta(days=1)
    may_move: tuple[Move, ...] = ()
    silent_while: tuple[Callable[[Case], bool], ...] = ()

    def findings(self, case: Case) -> tuple[Finding, ...]:
        """Its findings on a case; none in a state in which it is silent."""
        if any(state(case) for state in self.silent_while):
            return ()
        return tuple(self.judge(case))
