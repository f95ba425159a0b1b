"""What a sharing link that takes reports opens: emergencies first, then the tasks to tick off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Final

from flask import Response, make_response, render_template
from werkzeug.http import http_date

from service.advice.handover.sheet import HandoverSheet
from service.advice.handover.ticks import A_NOTE
from service.api.context import current
from service.api.http.security_headers import INSTALLED_PAGE, POLICY
from service.api.resources.handover.reporting import (
    OfferedTick,
    offered_ticks,
    reports_with,
    sheet_of_link,
)
from service.api.resources.handover.signed_ticks import signed, tick_of
from service.errors import InvalidInputError, LittoralError
from service.pages.browser.cookie import use_present_key
from service.pages.browser.headers import secure
from service.pages.handover.chart import picture_lines
from service.pages.local_time import LocalTime
from service.pages.observe import offered_groups
from service.pages.pictures.shown import ShownPicture, shown_picture
from service.pages.shared.form import Line, Refused, ReportForm, new_key
from service.registry.models.access import ShareLink
from service.registry.repositories.log.link_reports import LinkReport

DAYS_LISTED: Final = 14
"""So many days are listed to tick off, also for a phone without a connection. Our choice."""


@dataclass(frozen=True, slots=True)
class DayList:
    """The tasks of one day.

    Attributes:
        day: the tank's local date.
        words: ``Today, Thu 16 Apr``.
    """

    day: date
    words: str
    lines: tuple[Line, ...]


def link_page(
    link: ShareLink,
    address: str,
    sheet: HandoverSheet | None = None,
    refused: Refused | None = None,
) -> Response:
    """The page of a link that takes reports.

    Args:
        address: of the page, without the host.
        sheet: what it shows; None: the sheet as it is now.
        refused: a form that was refused.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    use_present_key()
    sheet = sheet or sheet_of_link(link)
    tank = sheet.tanks[0]
    local_time = LocalTime(tank.time_zone, sheet.prepared)
    today = local_time.local(sheet.prepared).date()
    offered = offered_ticks(tank, link)
    lines = [_line(one, link, refused) for one in offered]
    note = signed(A_NOTE, link)
    reports = reports_with(link)
    page = render_template(
        "pages/shared.html",
        shared=True,
        link=link,
        address=address,
        sheet=sheet,
        tank=tank,
        local_time=local_time,
        drawing=picture_lines(tank.picture),
        now=[one for one in lines if one.offered.day is None],
        days=list(_days([one for one in lines if one.offered.day], today)),
        today=today,
        later=any(one.day and one.day > _last_listed(today) for one in offered),
        note=ReportForm(note, A_NOTE, _of(refused, note)),
        observe=offered_groups({}, local_time),
        new_key=new_key,
        reports=reports,
        pictures_of=_pictures_of(link, reports, address, local_time),
        words=tank.words,
        refused=refused,
    )
    response = _installed(make_response(page, refused.error.kind.status if refused else 200))
    response.headers["Sunset"] = http_date(link.expires)  # RFC 8594: a copy on a phone ends then
    return response


def _pictures_of(
    link: ShareLink, reports: Sequence[LinkReport], address: str, local_time: LocalTime
) -> dict[str, list[ShownPicture]]:
    """The pictures that came with a link, by entry, where whoever has the link finds them."""
    entries = [one.entry for one in reports if one.entry]
    found = current().registry.pictures_of(link.tank, entries)
    return {
        entry: [shown_picture(one, local_time, f"{address}/pictures/{one.id}") for one in ones]
        for entry, ones in found.items()
    }


def link_refusal(error: LittoralError) -> Response:
    """The page for a link that shows nothing: nothing leads further; ticks not sent are shown."""
    page = render_template(
        "pages/refusal.html", title=error.kind.title, detail=error.detail, shared=True
    )
    return _installed(make_response(page, error.kind.status))


def _installed(response: Response) -> Response:
    """With the policy of a page that can be put on a home screen."""
    response = secure(response)
    response.headers[POLICY] = INSTALLED_PAGE
    response.headers["X-Robots-Tag"] = "noindex"
    return response


def _line(offered: OfferedTick, link: ShareLink, refused: Refused | None) -> Line:
    if offered.tick is None:
        return Line(offered, None)
    same = refused is not None and _task_of(refused, link) == offered.tick.task
    return Line(offered, ReportForm(offered.task, offered.tick, refused if same else None))


def _task_of(refused: Refused, link: ShareLink) -> str | None:
    """The task that a refused form was for, however the sheet has changed since."""
    try:
        return tick_of(refused.task, link).task
    except InvalidInputError:
        return None


def _of(refused: Refused | None, task: str) -> Refused | None:
    return refused if refused is not None and refused.task == task else None


def _days(lines: Sequence[Line], today: date) -> Iterator[DayList]:
    """The tasks by day, of the days that are listed."""
    last = _last_listed(today)
    near = {0: "Today, ", 1: "Tomorrow, "}
    for day, ones in groupby(lines, key=lambda one: one.offered.day):
        if day is not None and day <= last:
            words = f"{near.get((day - today).days, '')}{day:%a} {day.day} {day:%b}"
            yield DayList(day, words, tuple(ones))


def _last_listed(today: date) -> date:
    return today + timedelta(days=DAYS_LISTED - 1)
