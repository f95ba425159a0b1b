"""The handover sheet as a page that prints, one sheet per tank; the report on return."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from urllib.parse import urlencode

from flask import Blueprint, Response, make_response, render_template, request

from service.advice.handover.absence import (
    USUAL,
    Asked,
    absence_asked,
    absence_begun,
    report_of,
    sheet_of,
    tanks_of,
)
from service.advice.handover.care_plan import DAILY_CHECK, Task
from service.advice.handover.return_report import ReturnReport
from service.advice.handover.sheet import HandoverSheet, TankSheet
from service.api.context import current, now
from service.pages.browser.headers import secure
from service.pages.handover.chart import picture_lines
from service.pages.local_time import LocalTime
from service.pages.pictures.shown import shown_picture
from service.registry.models.absence import Absence

OPTIONS: Final = ("start", "end", "absence", "tank")
OTHERS_SHOWN: Final = 8
MOST_LOOSE: Final = 3
"""With more open recommendations a sheet prints in smaller type, to fit its page. Our choice."""


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/handover", "handover", handover_page)
    pages.add_url_rule("/handover/return", "return_report", return_page)


def handover_page() -> Response:
    """The sheet of the span asked for, else of the present or next absence, else of a week."""
    context = current()
    asked = _asked()
    absence = absence_asked(asked, context.registry, now(), usual=USUAL)
    tanks = tanks_of(absence, context.registry, asked.tank)
    return sheet_page(
        sheet_of(absence, tanks, context.registry, context.store, now(), context.drifts)
    )


def return_page() -> Response:
    """The report on the absence or span asked for, else on the absence that began last."""
    context = current()
    asked = _asked()
    absence = absence_begun(asked, context.registry, now())
    tanks = tanks_of(absence, context.registry, asked.tank)
    return report_page(
        report_of(absence, tanks, context.registry, context.store, now(), context.drifts)
    )


def sheet_page(sheet: HandoverSheet, *, shared: bool = False) -> Response:
    """A sheet as HTML.

    Args:
        shared: for whoever has a sharing link: nothing leads further.
    """
    zone = sheet.tanks[0].time_zone if sheet.tanks else "UTC"
    page = render_template(
        "pages/handover.html",
        sheet=sheet,
        local_times={one.tank: LocalTime(one.time_zone, sheet.prepared) for one in sheet.tanks},
        whole=LocalTime(zone, sheet.prepared),
        daily_check=_daily_check,
        work_of=_work,
        picture_lines=picture_lines,
        most_loose=MOST_LOOSE,
        span=_span(sheet.absence),
        has_return_report=not shared and bool(absences_begun(sheet.prepared)),
        shared=shared,
    )
    return secure(make_response(page))


def report_page(report: ReturnReport) -> Response:
    """A report on return as HTML."""
    begun = absences_begun(report.prepared)
    local_times = {one.tank: LocalTime(one.time_zone, report.prepared) for one in report.tanks}
    page = render_template(
        "pages/return_report.html",
        report=report,
        local_times=local_times,
        pictures_of={
            one.tank: [shown_picture(each, local_times[one.tank]) for each in one.pictures]
            for one in report.tanks
        },
        whole=LocalTime(report.tanks[0].time_zone if report.tanks else "UTC", report.prepared),
        others=[one for one in begun if one != report.absence][:OTHERS_SHOWN],
    )
    return secure(make_response(page))


def absences_begun(moment: datetime) -> list[Absence]:
    """The absences that have begun, latest first."""
    return [one for one in reversed(current().registry.absences()) if one.start <= moment]


def _asked() -> Asked:
    return Asked(**{name: request.args.get(name, "") for name in OPTIONS})


def _span(absence: Absence) -> str:
    """The absence as options of an address."""
    if absence.id:
        return urlencode({"absence": absence.id})
    return urlencode({"start": absence.start.isoformat(), "end": absence.end.isoformat()})


@dataclass(frozen=True, slots=True)
class PlannedWork:
    """What is to be done the same way on one or several days: words once, a tick for each day."""

    task: Task
    days: tuple[date, ...]


def _daily_check(tank: TankSheet) -> PlannedWork | None:
    """The daily check; None where the sheet covers no morning."""
    found = [one for one in tank.tasks if one.code == DAILY_CHECK]
    return PlannedWork(found[0], tuple(one.day for one in found)) if found else None


def _work(tank: TankSheet) -> list[PlannedWork]:
    """All other tasks in the order of their first day."""
    days: dict[tuple[str, str, tuple[str, ...]], list[Task]] = {}
    for one in tank.tasks:
        if one.code != DAILY_CHECK:
            days.setdefault((one.title, one.action, one.cautions), []).append(one)
    return [PlannedWork(ones[0], tuple(one.day for one in ones)) for ones in days.values()]
