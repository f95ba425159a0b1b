"""Which absence is meant; its handover sheet and the report on return, from registry and store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import ceil
from typing import Final

from service.advice.contact import covers
from service.advice.engine.history.ledger import Ledger
from service.advice.handover.return_report import ReturnReport, tank_return
from service.advice.handover.sheet import HandoverSheet, handover
from service.advice.trials.keeping import trials_of_return
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.errors import FieldFault, InvalidInputError, NotFoundError, Refusal
from service.local_words import end_of_day, in_zone, read_local
from service.registry.models.absence import Absence
from service.registry.models.access import ShareLink
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.interface import Store
from service.times import format_moment

USUAL: Final = timedelta(days=7)
"""A sheet whose end is not given covers so much. Our choice."""

LONGEST: Final = timedelta(days=92)
"""A sheet of given dates covers so much at most. Our choice."""

DAYS_BEFORE: Final = 8
"""A report compares an absence with so many days before it. Our choice."""

_TO_GIVE: Final = (
    "allowed: start and end, such as start=2026-05-01&end=2026-05-14, or an absence put into "
    "/v1/absences"
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for: texts as they came, empty where nothing was said.

    Attributes:
        start, end: a day (``end`` with it), each tank's own, or a day with a time; without an
            offset in the zone of the tank that is named, or the first.
        absence: id of an absence.
        tank: only this tank.
    """

    start: str = ""
    end: str = ""
    absence: str = ""
    tank: str = ""


def absence_asked(
    asked: Asked, registry: Registry, now: datetime, *, usual: timedelta | None = None
) -> Absence:
    """The absence asked for: by id, by its span, else the one that is or comes next.

    Args:
        usual: without any absence, the span from now on; None: that is refused.

    Raises:
        NotFoundError: there is no absence or no tank of the id.
        InvalidInputError: the span makes no sense, or nothing says which span is meant.
    """
    named = _named(asked, registry, now)
    if named is not None:
        return named
    known = present_or_next(registry.absences(), now, asked.tank)
    if known is not None:
        return known
    if usual is None:
        raise _refusal("start", f"start is missing and no absence is planned; {_TO_GIVE}")
    return Absence("", now, now + usual)


def absence_begun(asked: Asked, registry: Registry, now: datetime) -> Absence:
    """The absence that a report is about: by id, by its span, else the one that began last.

    Raises:
        NotFoundError: there is no absence or no tank of the id.
        InvalidInputError: the span makes no sense or is still to come, or there was none.
    """
    named = _named(asked, registry, now)
    if named is None:
        known = [one for one in registry.absences() if one.start <= now and covers(one, asked.tank)]
        if not known:
            raise _refusal("absence", f"absence is missing and none has begun; {_TO_GIVE}")
        return max(known, key=lambda one: one.start)
    if named.start > now:
        option = "absence" if asked.absence else "start"
        given = (asked.absence or asked.start)[:64]
        wrong = f"{option} is {given!r}, and that begins at {named.start:%Y-%m-%d %H:%M} UTC"
        raise _refusal(option, f"{wrong}; allowed: an absence that has begun")
    return named


def _named(asked: Asked, registry: Registry, now: datetime) -> Absence | None:
    """What id or span say; None where neither is given."""
    if asked.tank:
        registry.tank(asked.tank)
    if asked.absence:
        if asked.start or asked.end:
            wrong = f"start and end are given beside absence {asked.absence[:64]!r}"
            raise _refusal("absence", f"{wrong}; allowed: this or those")
        return absence_of(asked.absence, registry)
    if asked.start or asked.end:
        return _span_asked(asked, _zone(registry, asked.tank), now)
    return None


def absence_of(id: str, registry: Registry) -> Absence:
    """One absence.

    Raises:
        NotFoundError: there is none of the id.
    """
    for one in registry.absences():
        if one.id == id:
            return one
    raise NotFoundError(f"absence is {id[:64]!r}; allowed: the id of an absence in /v1/absences")


def absence_of_link(link: ShareLink, registry: Registry) -> Absence:
    """The absence whose span a sharing link has, with the owner's words; else the span."""
    for one in registry.absences():
        if (one.start, one.end) == (link.start, link.end) and covers(one, link.tank):
            return replace(one, tanks=(link.tank,))
    return Absence("", link.start, link.end, tanks=(link.tank,))


def present_or_next(absences: Sequence[Absence], now: datetime, tank: str = "") -> Absence | None:
    """The absence that is, or comes next, of a tank where one is named."""
    known = [one for one in absences if one.end > now and covers(one, tank)]
    return min(known, key=lambda one: one.start, default=None)


def tanks_of(absence: Absence, registry: Registry, tank: str = "") -> list[Tank]:
    """The tanks that an absence is about, or the one of them that is named.

    Raises:
        NotFoundError: there is no such tank.
        InvalidInputError: the absence is not about it.
    """
    if not tank:
        return [one for one in registry.tanks() if covers(absence, one.id)]
    found = registry.tank(tank)
    if not covers(absence, tank):
        allowed = f"one that the absence is about: {', '.join(absence.tanks)}"
        raise _not_allowed("tank", tank, allowed)
    return [found]


def sheet_of(
    absence: Absence,
    tanks: Sequence[Tank],
    registry: Registry,
    store: Store,
    now: datetime,
    drifts: MorningDrifts,
) -> HandoverSheet:
    """The sheet of an absence, on what registry and store say now.

    Args:
        drifts: of the pH probes, as last found.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    found = [load(tank, registry, store, now) for tank in tanks]
    views = [tank_view(inputs, drift=drifts.known(inputs)) for inputs in found]
    ledger = Ledger(registry)
    active = {tank.id: ledger.list(tank.id) for tank in tanks}
    zones = [one.time_zone for one in registry.tanks()]
    return handover(absence, views, active, now, zones, registry.running_trials())


def report_of(
    absence: Absence,
    tanks: Sequence[Tank],
    registry: Registry,
    store: Store,
    now: datetime,
    drifts: MorningDrifts,
) -> ReturnReport:
    """What came of an absence, up to its end or until now; of a long one, the last 92 days.

    Args:
        drifts: of the pH probes, as last found; they count for an absence that goes on.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    until = min(now, absence.end)
    days = ceil(min(until - absence.start, LONGEST) / timedelta(days=1)) + DAYS_BEFORE
    ledger = Ledger(registry)
    reports = []
    for tank in tanks:
        inputs = load(tank, registry, store, until, days=days)
        view = tank_view(inputs, drift=drifts.known(inputs) if until == now else None)
        seen = ledger.list(tank.id, tuple(State), since=absence.start)
        tried = trials_of_return(absence, tank, registry, store, now)
        pictures = registry.first_and_last_pictures(tank.id, absence.start, until)
        reports.append(tank_return(absence, view, seen, tried, pictures))
    return ReturnReport(absence, now, tuple(reports))


def _span_asked(asked: Asked, zone: str, now: datetime) -> Absence:
    first = written_moment("start", asked.start, zone) if asked.start else now
    last = written_moment("end", asked.end, zone, whole_day=True) if asked.end else first + USUAL
    if not first < last <= first + LONGEST:
        given = asked.end or format_moment(last)
        raise _not_allowed("end", given, f"after the start, and within {LONGEST.days} days of it")
    return Absence("", first, last)


def written_moment(name: str, text: str, zone: str, *, whole_day: bool = False) -> datetime:
    """A day (its beginning, or its end) or a day with a time, UTC; without an offset of a zone.

    Args:
        name: of what the text is, for the error.
        whole_day: a day without a time means its end.

    Raises:
        InvalidInputError: the text is neither.
    """
    try:
        # A '+' arrives as a blank in a query unless it was written %2B.
        found = read_local(text.replace(" ", "+") if "T" in text else text)
        return in_zone(end_of_day(found, text) if whole_day else found, zone)
    except (ValueError, OverflowError):
        allowed = "a day such as 2026-05-01, or a time such as 2026-05-01T08:00:00Z"
        raise _not_allowed(name, text, allowed) from None


def _not_allowed(option: str, value: str, allowed: str) -> InvalidInputError:
    return InvalidInputError.of([FieldFault.of(f"?{option}", Refusal(value, allowed), option)])


def _refusal(option: str, detail: str) -> InvalidInputError:
    return InvalidInputError(detail, (FieldFault(f"?{option}", detail),))


def _zone(registry: Registry, tank: str) -> str:
    """The zone that days and times without one are read in: of the tank, or the first one."""
    tanks = [registry.tank(tank)] if tank else registry.tanks()
    return tanks[0].time_zone if tanks else "UTC"
