"""The dated tasks of a handover sheet as a calendar (RFC 5545)."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Final

from service.advice.engine.recommendation import Severity
from service.advice.handover.care_plan import Task
from service.advice.handover.sheet import HandoverSheet, TankSheet
from service.integrations.calendar.tasks import TAKES, CalendarTask, Form, calendar_of
from service.registry.models.events import Revision

_SUBJECT_DIGITS: Final = 8


def sheet_calendar(
    sheet: HandoverSheet, url_of: Callable[[str], str], form: Form = Form.EVENTS
) -> bytes:
    """All tasks of a sheet; each rings.

    Args:
        url_of: the page on a tank, by its id, for whoever gets the calendar.
    """
    tasks = [
        _task_of(sheet, page, task, url_of(page.tank))
        for page in sheet.tanks
        for task in page.tasks
    ]
    name = f"Handover {sheet.tanks[0].name}" if len(sheet.tanks) == 1 else "Handover"
    return calendar_of(name, tasks, sheet.prepared, form)


def uid_of(page: TankSheet, task: Task) -> str:
    """The same for one task of one tank on one day, however often the sheet is prepared."""
    digest = hashlib.sha256(task.subject.encode()).hexdigest()[:_SUBJECT_DIGITS]
    subject = f"-{digest}" if task.subject else ""
    return f"{task.code}{subject}-{task.day.isoformat()}.{page.tank}@littoral"


def _task_of(sheet: HandoverSheet, page: TankSheet, task: Task, url: str) -> CalendarTask:
    return CalendarTask(
        uid=uid_of(page, task),
        place=page.name,
        instruction=task,
        severity=Severity.ADVICE,
        since=min(sheet.absence.start, sheet.prepared),
        not_before=task.due - TAKES,
        rings=True,
        # Earlier sheets are not stored: a sheet counts as revised whenever it is prepared.
        revision=Revision(int(sheet.prepared.timestamp() // 60), sheet.prepared),
        time_zone=page.time_zone,
        url=url,
    )
