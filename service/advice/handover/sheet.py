"""The handover sheet: what a colleague needs to carry the tanks through an absence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from service.advice.contact import contact_during
from service.advice.engine.instruction import NumberedCautions
from service.advice.engine.recommendation import (
    Finding,
    Instruction,
    Recommendation,
    Severity,
)
from service.advice.engine.rule import Case
from service.advice.engine.work import Who
from service.advice.handover.care_plan import Task, tasks_between
from service.advice.handover.emergencies import Emergency, emergencies
from service.advice.handover.glossary import GLOSSARY, Word, words_in
from service.advice.handover.own_days import span_of_tank
from service.advice.handover.sheet_lines import leave_alone, life_line, open_line, water_line
from service.derive.models.co2 import Array
from service.derive.models.tank_view import TankView
from service.registry.models.absence import Absence
from service.registry.models.recommendations import State
from service.registry.models.trials import Trial
from service.science.numeric.sets import first_places
from service.times import from_us, to_us

PICTURE_DAYS: Final = 3
PICTURE_STEP_US: Final = 15 * 60_000_000


@dataclass(frozen=True, slots=True)
class Picture:
    """The last days in little: for a small drawing.

    Attributes:
        time: (n,) UTC.
        co2_mg_l: (n,) NaN where unknown.
        lit: lit intervals, UTC.
        target_low_mg_l, target_high_mg_l: to shade.
    """

    time: tuple[datetime, ...]
    co2_mg_l: Array
    lit: tuple[tuple[datetime, datetime], ...]
    target_low_mg_l: float
    target_high_mg_l: float


@dataclass(frozen=True, slots=True)
class TankSheet:
    """One tank's page.

    Attributes:
        time_zone: IANA name; the zone that days and times of the page are in.
        state: three lines: the water now, what is to be done, what lives in it and was last done.
        open: what is open now and anyone may do, most urgent first; what is a task is not in it.
        tasks: what anyone may do, for every day of the absence, in order of time.
        waiting: what waits for the tank keeper.
        emergencies: what to look for, and what to do then.
        leave_alone: what not to touch.
        contact: how the tank keeper can be reached; "" where nobody said.
        notes: the owner's own words.
        temperature_c: the water's; None where it is not known.
        range_c: lowest and highest temperature for what lives in it; None where not known.
    """

    tank: str
    name: str
    time_zone: str
    state: tuple[str, str, str]
    picture: Picture
    open: tuple[Recommendation, ...]
    tasks: tuple[Task, ...]
    waiting: tuple[Instruction, ...]
    emergencies: tuple[Emergency, ...]
    leave_alone: tuple[str, ...]
    contact: str
    notes: str
    temperature_c: float | None = None
    range_c: tuple[float, float] | None = None

    @property
    def words(self) -> tuple[Word, ...]:
        """The words of the trade on the page, explained."""
        return tuple(words_in(self._texts()))

    def _texts(self) -> Iterator[str]:
        """Everything on the page that may have words of the trade."""
        yield from (*self.state, *self.leave_alone, self.notes, "tank keeper")
        for one in (*self.emergencies, *self.now, *self.tasks, *self.waiting):
            yield from (one.title, one.action, *one.cautions)

    @property
    def safety(self) -> NumberedCautions:
        """The cautions of everything on the page."""
        return NumberedCautions([*self.emergencies, *self.now, *self.tasks])

    @property
    def now(self) -> tuple[Instruction, ...]:
        """What is open, in words."""
        return tuple(one.instruction for one in self.open)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind before any work."""
        return self.safety.texts


@dataclass(frozen=True, slots=True)
class HandoverSheet:
    """All tanks of an absence.

    Attributes:
        absence: from, to, who covers, and the owner's words for all tanks.
        prepared: when the sheet was made; what happens later is not in it.
    """

    absence: Absence
    prepared: datetime
    tanks: tuple[TankSheet, ...]

    @property
    def words(self) -> tuple[Word, ...]:
        """The words of the trade on all pages, explained, in the order of the alphabet."""
        found = {one for tank in self.tanks for one in tank.words}
        return tuple(one for one in GLOSSARY if one in found)


def handover(
    absence: Absence,
    views: Sequence[TankView],
    active: Mapping[str, Sequence[Recommendation]],
    now: datetime,
    zones: Iterable[str] = (),
    trials: Sequence[Trial] = (),
) -> HandoverSheet:
    """The sheet of an absence.

    Args:
        views: of the tanks that it covers, in the order of the sheet.
        active: by tank, active recommendations, from the ledger.
        now: UTC.
        zones: that whole days may have been written in, those of all tanks.
        trials: of any tanks, running.
    """
    sheets = []
    for view in views:
        start, end = span_of_tank(absence, view.tank, zones)
        own = replace(absence, start=start, end=end)
        tried = [one for one in trials if one.tank == view.tank.id]
        sheets.append(tank_sheet(own, view, active.get(view.tank.id, ()), tried))
    return HandoverSheet(absence, now, tuple(sheets))


def tank_sheet(
    absence: Absence,
    view: TankView,
    active: Sequence[Recommendation],
    trials: Sequence[Trial] = (),
) -> TankSheet:
    """One tank's page of an absence.

    Args:
        trials: of the tank, running.
    """
    case = Case(view)
    open_ones = [one for one in active if one.state is State.OPEN]
    planned = tasks_between(case, max(absence.start, view.now), absence.end)
    tasks = tuple(one for one in planned if one.who is Who.ANYONE)
    asked = {(one.code, one.subject) for one in tasks}
    shown = tuple(
        replace(one, finding=replace(one.finding, keeper_action=""))
        for one in open_ones
        if one.finding.who is Who.ANYONE
        and (one.finding.code, one.finding.subject) not in asked
        and not is_remark(one.finding)
    )
    known = view.temperature.reading if view.temperature.rate_k_h is not None else None
    low, high = view.temperature.tolerable.low_c, view.temperature.tolerable.high_c
    return TankSheet(
        tank=view.tank.id,
        name=view.tank.name,
        time_zone=view.tank.time_zone,
        state=(water_line(view), open_line(shown), life_line(case)),
        picture=picture_of(view),
        open=shown,
        tasks=tasks,
        waiting=tuple(waiting(open_ones, planned)),
        emergencies=tuple(emergencies(case)),
        leave_alone=tuple(leave_alone(case, trials)),
        contact=contact_during(absence, view.tank),
        notes=view.tank.notes,
        temperature_c=None if known is None else known.value,
        range_c=None if low is None or high is None else (low, high),
    )


def is_remark(finding: Finding) -> bool:
    """Whether it asks for nothing: information that moves no lever and leaves no entry."""
    return finding.severity is Severity.INFO and not finding.moves and finding.log is None


def waiting(open_ones: Sequence[Recommendation], planned: Sequence[Task]) -> list[Instruction]:
    """What the tank keeper alone may do: open or planned, each once."""
    keeper: dict[tuple[str, str], Instruction] = {}
    for one in open_ones:
        finding, words = one.finding, one.instruction
        if finding.who is not Who.KEEPER and finding.keeper_action:
            words = replace(words, action=finding.keeper_action)
        elif finding.who is not Who.KEEPER:
            continue
        keeper[finding.code, finding.subject] = replace(words, who=Who.KEEPER)
    for task in planned:
        if task.who is Who.KEEPER:
            keeper.setdefault((task.code, task.subject), task)
    return list(keeper.values())


def picture_of(view: TankView) -> Picture:
    """The last days, thinned to a quarter of an hour."""
    start = view.now - timedelta(days=PICTURE_DAYS)
    series = view.co2_series
    recent = series.time_us >= to_us(start)
    slots, first = first_places(series.time_us[recent] // PICTURE_STEP_US)
    values = series.value[recent]
    return Picture(
        time=tuple(from_us(int(slot) * PICTURE_STEP_US) for slot in slots),
        co2_mg_l=values[first],
        lit=tuple(
            (max(on, start), off) for day in view.light_days for on, off in day.lit if off > start
        ),
        target_low_mg_l=view.co2.target_low_mg_l,
        target_high_mg_l=view.co2.target_high_mg_l,
    )
