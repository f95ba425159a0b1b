"""Trials: what was changed in a tank to see what comes of it, until when, and the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any

from service.registry.models.plans import DosePlan, GasPlan, LightPlan, WaterChangePlan
from service.registry.models.tank import Tank
from service.registry.models.trial_state import TrialState


@dataclass(frozen=True, slots=True)
class Plans:
    """The plans of a tank that a trial may change."""

    light: LightPlan
    gas: GasPlan
    water_change: WaterChangePlan
    doses: tuple[DosePlan, ...]
    heated: bool

    @classmethod
    def of(cls, tank: Tank) -> Plans:
        """Those of a tank."""
        return cls(**{one.name: getattr(tank, one.name) for one in fields(cls)})

    def put_into(self, tank: Tank) -> Tank:
        """The tank with these plans."""
        return replace(tank, **{one.name: getattr(self, one.name) for one in fields(self)})


@dataclass(frozen=True, slots=True)
class Held:
    """Advice that waits while a trial runs, since it would undo what is tried.

    Attributes:
        code: of the rule.
        title: what it asks for.
        since: UTC.
    """

    code: str
    title: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial of a tank.

    Attributes:
        id: given by the registry.
        question: in the words of who began it.
        begun: when the change was made, UTC.
        look_again: when it is judged, UTC.
        watched: names of ``service.derive.watched``.
        entries: ids of the log entries of the change.
        change: the change in words; "" where nobody said.
        levers: what it moves, ``gas-times`` or, where the way is known, ``gas-times:earlier``.
        before, after: the plans; None where the change is none of a plan.
        by: who began it; created: when; UTC.
        ended: when it was judged for good, ended or broken off; reason: why.
        held: advice that waits for it.
        result: the last judgement that was stored, as a document; None before.
    """

    id: str
    tank: str
    question: str
    begun: datetime
    look_again: datetime
    watched: tuple[str, ...]
    entries: tuple[str, ...] = ()
    change: str = ""
    levers: tuple[str, ...] = ()
    before: Plans | None = None
    after: Plans | None = None
    by: str = ""
    created: datetime | None = None
    state: TrialState = TrialState.RUNNING
    ended: datetime | None = None
    reason: str = ""
    held: tuple[Held, ...] = ()
    result: Mapping[str, Any] | None = None

    @property
    def is_running(self) -> bool:
        """Whether it goes on."""
        return self.state is TrialState.RUNNING
