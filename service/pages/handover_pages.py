"""The handover sheet as a page that prints: one sheet per tank."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from itertools import groupby
from typing import Final
from zoneinfo import ZoneInfo

from flask import Blueprint, render_template, request

from service.advice.handover import TankSheet, handover
from service.advice.ledger import Ledger
from service.derive.build import view_of
from service.errors import InvalidInputError, NotFoundError
from service.pages.handover_picture import picture_lines
from service.pages.moments import Moments
from service.pages.parts import current, now
from service.tanks.values import Absence, Tank

USUAL: Final = timedelta(days=7)
LONGEST: Final = timedelta(days=92)


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/handover", "handover", handover_page)
    pages.add_url_rule("/shared/<secret>", "shared", shared_page)


def handover_page() -> str:
    """The sheet of the span asked for, else of the present or next absence."""
    tanks = current().registry.tanks()
    absence = _asked(_zone(tanks))
    covered = [tank for tank in tanks if not absence.tanks or tank.id in absence.tanks]
    return _page(absence, covered, shared=False)


def shared_page(secret: str) -> str:
    """The sheet of the one tank that a sharing link shows, to whoever has the link."""
    registry = current().registry
    link = registry.share_of(secret, now())
    if link is None:
        raise NotFoundError("this link is not known, has expired, or was revoked")
    absence = Absence("", link.start, link.end, note=link.note, tanks=(link.tank,))
    return _page(absence, [registry.tank(link.tank)], shared=True)


def _page(absence: Absence, tanks: Sequence[Tank], *, shared: bool) -> str:
    parts = current()
    moment = now()
    views = [view_of(tank, parts.registry, parts.store, moment) for tank in tanks]
    ledger = Ledger(parts.registry)
    sheet = handover(absence, views, {tank.id: ledger.list(tank.id) for tank in tanks}, moment)
    moments = {tank.id: Moments(tank.time_zone, moment) for tank in tanks}
    return render_template(
        "pages/handover.html",
        sheet=sheet,
        moments=moments,
        whole=Moments(_zone(tanks), moment),
        days_of=_days_of,
        picture_lines=picture_lines,
        shared=shared,
    )


def _days_of(tank: TankSheet) -> list[tuple[object, list[object]]]:
    """The tasks of each day."""
    return [(day, list(tasks)) for day, tasks in groupby(tank.tasks, key=lambda one: one.day)]


def _asked(zone: str) -> Absence:
    """The absence that the address names, else the one that is or comes next, else a week."""
    start, end = request.args.get("start", ""), request.args.get("end", "")
    if not start and not end:
        known = [one for one in current().registry.absences() if one.end > now()]
        if known:
            return min(known, key=lambda one: one.start)
    first = _moment("start", start, zone) if start else now()
    last = _moment("end", end, zone, whole_day=True) if end else first + USUAL
    if not first < last <= first + LONGEST:
        allowed = f"after the start, and within {LONGEST.days} days of it"
        raise InvalidInputError.of_field("end", end or last.isoformat(), allowed)
    return Absence("", first, last)


def _moment(name: str, text: str, zone: str, *, whole_day: bool = False) -> datetime:
    """A date (its beginning, or its end) or a date with a time, in the tanks' zone, as UTC."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        allowed = "a date such as 2026-05-01, or a date with a time"
        raise InvalidInputError.of_field(name, text[:40], allowed) from None
    if found.tzinfo is None:
        found = found.replace(tzinfo=ZoneInfo(zone))
    if whole_day and len(text) <= len("2026-05-01") and found.time() == time():
        found += timedelta(days=1)
    return found.astimezone(UTC)


def _zone(tanks: Sequence[Tank]) -> str:
    """The zone that dates without one are read in: the first tank's."""
    return tanks[0].time_zone if tanks else "UTC"
