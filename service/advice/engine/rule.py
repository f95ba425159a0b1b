"""What a rule is, and the case it judges."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.advice.engine.practice import limit
from service.advice.engine.recommendation import Finding
from service.derive.models import TankView
from service.registry.models import Tank

Standing = frozenset[tuple[str, str]]
"""(code, subject) of what stands open: a rule lets go of it later than it takes it up."""

NOTHING_STANDS: Standing = frozenset()


@dataclass(frozen=True, slots=True)
class Case:
    """One tank at one moment, as a rule sees it."""

    view: TankView
    standing: Standing = NOTHING_STANDS

    @property
    def tank(self) -> Tank:
        """The tank."""
        return self.view.tank

    @property
    def now(self) -> datetime:
        """The moment, UTC."""
        return self.view.now

    def limit(self, name: str) -> float:
        """A threshold of practice as it is in force for this tank."""
        return limit(self.view.tank, name)

    def stands(self, code: str, subject: str = "") -> bool:
        """Whether this was said already and still stands."""
        return (code, subject) in self.standing


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    Attributes:
        code: stable; part of topics and addresses.
        about: when it speaks, one line.
        judge: its findings on a case; none where all is well or nothing can be said.
        hold: its cause must be gone for so long before the recommendation is cleared.
        settle: so long after "done" the same cause does not count again: measures take time.
    """

    code: str
    about: str
    judge: Callable[[Case], Iterable[Finding]]
    hold: timedelta = timedelta(minutes=30)
    settle: timedelta = timedelta(days=1)
