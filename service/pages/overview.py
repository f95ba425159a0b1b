"""Overview of tanks: state and recommendations of each, in order of urgency."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Generic, TypeVar

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Recommendation, Severity
from service.api.context import Context
from service.derive.inputs import Inputs
from service.derive.loader import load
from service.derive.models.tank_view import TankNow, TankView
from service.derive.tank_now import tank_now
from service.derive.tank_view import tank_view
from service.errors import LittoralError, StoreRefusedError, StoreUnavailableError
from service.pages.local_time import LocalTime
from service.pages.tank.figures import Figure, figures_of
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from service.store.model import SeriesInfo

_View = TypeVar("_View", bound=TankNow)

SHORT_DAYS = 2
"""Days of readings that a tank's line in the list covers."""

MOST_SHOWN: Final = 50
"""Tanks of one page of the list. Our choice: deriving them takes half a second."""

MOST_WORST: Final = 10
"""Tanks of other pages that are named as those that need somebody first. Our choice."""

LONG_AGO = timedelta(days=100 * 365)


@dataclass(frozen=True, slots=True)
class TankOverview(Generic[_View]):
    """A tank as far as it is known now.

    Attributes:
        view: None while the readings cannot be had; then ``trouble`` says why.
        todo: open recommendations, most urgent first, the folded ones last.
        later: snoozed ones.
        figures: CO2, temperature and light; none without a view.
    """

    tank: Tank
    local_time: LocalTime
    view: _View | None
    trouble: str
    todo: tuple[Recommendation, ...]
    later: tuple[Recommendation, ...]
    figures: tuple[Figure, ...] = ()

    @property
    def severity(self) -> Severity | None:
        """The highest severity of what is open."""
        return max((one.finding.severity for one in self.todo), default=None)

    @property
    def latest(self) -> SeriesInfo | None:
        """The series of the latest reading."""
        if self.view is None or not self.view.sensors:
            return None
        return max(self.view.sensors, key=lambda info: info.last.time_us)

    @property
    def judged(self) -> bool:
        """Whether enough is known that "nothing to do" means something."""
        if self.view is None:
            return False
        return self.view.co2.co2 is not None or self.view.temperature.reading is not None

    @property
    def without_kh(self) -> bool:
        """There is a pH but no KH to make CO2 of it."""
        return self.view is not None and self.view.co2.kh is None


@dataclass(frozen=True, slots=True)
class OverviewPage:
    """A page of the list of tanks.

    Attributes:
        tanks: worst first.
        first: whether it is the first page.
        more: the id after which the next page begins; None where this one is the last.
        busy: how many tanks of all pages have something to do.
        worst: the worst of all pages, where there are several.
    """

    tanks: tuple[TankOverview[TankNow], ...]
    first: bool
    more: str | None
    busy: int
    worst: tuple[Tank, ...] = ()


def overview_page(context: Context, now: datetime, after: str | None = None) -> OverviewPage:
    """A page of tanks by their ids.

    Args:
        after: only tanks whose id comes after this one; None: from the first on.
    """
    registry = context.registry
    found = registry.tanks(after=after, limit=MOST_SHOWN + 1)
    shown, first = found[:MOST_SHOWN], after is None
    more = shown[-1].id if len(found) > MOST_SHOWN else None
    known = Ledger(registry).of_tanks([tank.id for tank in shown])

    def derived(inputs: Inputs) -> TankNow:
        return tank_now(inputs, drift=context.drifts.known(inputs))

    tanks = [_overview(context, tank, now, known[tank.id], SHORT_DAYS, derived) for tank in shown]
    tanks.sort(key=urgency)
    if first and more is None:
        return OverviewPage(tuple(tanks), first, more, sum(bool(one.todo) for one in tanks))
    busy = registry.tanks_with_open(MOST_WORST)
    by_id = {tank.id: tank for tank in registry.tanks_of(busy.first)}
    worst = tuple(by_id[id] for id in busy.first if id in by_id)
    return OverviewPage(tuple(tanks), first, more, busy.count, worst)


def tank_overview(context: Context, tank: Tank, now: datetime, days: int) -> TankOverview[TankView]:
    """One tank with so many days of light, CO2 and excursions."""

    def derived(inputs: Inputs) -> TankView:
        return tank_view(inputs, drift=context.drifts.known(inputs))

    return _overview(context, tank, now, Ledger(context.registry).list(tank.id), days, derived)


def urgency(one: TankOverview[TankNow]) -> tuple[float, float, datetime, str]:
    """Sorts the worst tank first: by severity, by how many of it, by what is due first."""
    worst = one.severity
    if worst is None:
        return 0.0, 0.0, one.local_time.now + LONG_AGO, one.tank.name
    most_severe = [each for each in one.todo if each.finding.severity == worst]
    due = [each.finding.due for each in most_severe if each.finding.due is not None]
    first = min(due, default=one.local_time.now + LONG_AGO)
    return -float(worst), -float(len(most_severe)), first, one.tank.name


def _overview(
    context: Context,
    tank: Tank,
    now: datetime,
    known: Sequence[Recommendation],
    days: int,
    derived: Callable[[Inputs], _View],
) -> TankOverview[_View]:
    view, trouble = None, ""
    local_time = LocalTime(tank.time_zone, now)
    figures: tuple[Figure, ...] = ()
    try:
        inputs = load(tank, context.registry, context.store, now, days=days)
        view = derived(inputs)
        figures = figures_of(view, inputs, local_time)
    except (StoreUnavailableError, StoreRefusedError) as error:
        trouble = unavailable_text(error)
    todo = [one for one in known if one.state is State.OPEN]
    return TankOverview(
        tank,
        local_time,
        view,
        trouble,
        tuple(sorted(todo, key=lambda one: one.folded)),
        tuple(one for one in known if one.state is State.SNOOZED),
        figures,
    )


def newest_ms(shown: Sequence[TankOverview[TankNow]]) -> int:
    """When the newest reading that a page shows was taken, milliseconds since 1970 UTC; else 0."""
    latest = [one.latest.last.time_us for one in shown if one.latest is not None]
    return max(latest, default=0) // 1000


def unavailable_text(error: LittoralError) -> str:
    """An error of the store as a sentence on a page."""
    return f"The readings cannot be had just now: {error.detail}"
