"""Tasks as an iCalendar feed (RFC 5545, RFC 7986): what a calendar on a phone subscribes to.

Most subscribers show events only, so tasks are events unless to-dos are asked for. A task that is
due ends when it is due. One that is overdue, or has no due time, lies on today for the whole day
and moves along until it is done: in the past nobody would see it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from service.advice.engine.history.change_events import DUE_COUNT, DUE_MOVED
from service.advice.engine.instruction import text_of
from service.advice.engine.recommendation import Instruction, Recommendation, Severity
from service.advice.handover.glossary import words_in
from service.registry.models.events import Revision
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from service.registry.models.trials import Trial

if TYPE_CHECKING:  # 3 MB, and few ask for a calendar: imported when one is made
    from icalendar import Alarm, Component, Event, Todo

PRODID: Final = "-//Littoral//Tasks//EN"
REFRESH: Final = timedelta(minutes=15)
TAKES: Final = timedelta(minutes=30)
"""Length of a task with a due time in the calendar. Our choice."""

MORNING: Final = timedelta(hours=9)
"""When a task of the whole day rings, local time. Our choice."""

_PRIORITY: Final = {Severity.URGENT: 1, Severity.WARNING: 3, Severity.ADVICE: 5, Severity.INFO: 9}


class Form(StrEnum):
    """What tasks are in the calendar."""

    EVENTS = "events"
    TODOS = "todos"


@dataclass(frozen=True, slots=True)
class CalendarTask:
    """One task.

    Attributes:
        uid: stable as long as the task lasts, unique anywhere.
        place: the tank's name.
        instruction: what to do, why, and by when.
        severity: sets priority, category and whether it rings.
        since: when it came up, UTC.
        not_before: snoozed until, UTC.
        rings: remind of it.
        revision: of its last change.
        time_zone: IANA name; in which its days begin and end.
        url: of a page on it, for the entry's link.
    """

    uid: str
    place: str
    instruction: Instruction
    severity: Severity
    since: datetime
    not_before: datetime | None
    rings: bool
    revision: Revision
    time_zone: str
    url: str

    @property
    def title(self) -> str:
        """One line."""
        return f"{self.place}: {self.instruction.title}"

    @property
    def due(self) -> datetime | None:
        """By when, UTC; None: no hurry."""
        return self.instruction.due


def _revision(one: Recommendation, last: Revision) -> Revision:
    """The last change, with the moves of the due time: a calendar shows it, so they count here."""
    moved = one.extra.get(DUE_MOVED)
    if moved is None:
        return last
    time = max(last.time, datetime.fromisoformat(str(moved)))
    return Revision(last.sequence + int(one.extra[DUE_COUNT]), time)


def task_of(tank: Tank, one: Recommendation, revision: Revision | None, url: str) -> CalendarTask:
    """The task that a recommendation asks for."""
    finding, instruction = one.finding, one.instruction
    return CalendarTask(
        uid=f"{one.id}.{tank.id}@littoral",
        place=tank.name,
        instruction=instruction,
        severity=finding.severity,
        since=one.first_seen,
        not_before=one.snoozed_until if one.state is State.SNOOZED else None,
        rings=finding.severity >= Severity.ADVICE and not one.folded,
        revision=_revision(one, revision or Revision(0, one.first_seen)),
        time_zone=tank.time_zone,
        url=url,
    )


def tank_calendar(
    tank: Tank,
    recommendations: Sequence[Recommendation],
    revisions: Mapping[str, Revision],
    now: datetime,
    url: str,
    form: Form = Form.EVENTS,
    trials: Sequence[Trial] = (),
) -> bytes:
    """The feed of one tank.

    Args:
        recommendations: those that stand (open and snoozed).
        revisions: by recommendation id, from ``Registry.revisions``.
        url: of the tank's page.
        trials: running.
    """
    tasks = [task_of(tank, one, revisions.get(one.id), url) for one in recommendations]
    tasks += [look_again(tank, one, revisions.get(one.id), url) for one in trials]
    return calendar_of(tank.name, tasks, now, form)


def look_again(tank: Tank, trial: Trial, revision: Revision | None, url: str) -> CalendarTask:
    """The task to look at the result of a trial, on its date."""
    return CalendarTask(
        uid=f"trial-{trial.id}.{tank.id}@littoral",
        place=tank.name,
        instruction=Instruction(
            title=f"Look again: {trial.question}",
            action="See the result of the trial.",
            cautions=(),
            due=trial.look_again,
        ),
        severity=Severity.ADVICE,
        since=trial.created or trial.begun,
        not_before=None,
        rings=True,
        revision=revision or Revision(0, trial.created or trial.begun),
        time_zone=tank.time_zone,
        url=f"{url}/trials/{trial.id}",
    )


def calendar_of(
    name: str, tasks: Iterable[CalendarTask], now: datetime, form: Form = Form.EVENTS
) -> bytes:
    """A calendar of tasks, UTF-8, CRLF, folded.

    Args:
        now: UTC; decides what is overdue and which day is today.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", PRODID)
    calendar.add("version", "2.0")
    calendar.add("name", name)
    calendar.add("x-wr-calname", name)
    calendar.add("refresh-interval", REFRESH, {"VALUE": "DURATION"})
    calendar.add("x-published-ttl", "PT15M")
    for task in sorted(tasks, key=lambda one: one.uid):
        if form is Form.TODOS:
            calendar.add_component(_todo(task, now))
        elif task.due is not None or task.severity > Severity.INFO:
            calendar.add_component(_event(task, now))
    return bytes(calendar.to_ical())


def _event(task: CalendarTask, now: datetime) -> Event:
    from icalendar import Event

    event = Event()
    _describe(event, task, now)
    event.add("transp", "TRANSPARENT")  # a task blocks nobody's time
    if task.due is not None and task.due > now:
        start, end = _span(task, task.due)
        event.add("dtstart", start)
        event.add("dtend", end)
        ring = timedelta(0)
    else:
        day = _floating_day(task, now)
        event.add("dtstart", day)
        event.add("dtend", day + timedelta(days=1))  # the end of a day is exclusive
        ring = MORNING
    if task.rings:
        event.add_component(_alarm(task, ring))
    return event


def _span(task: CalendarTask, due: datetime) -> tuple[datetime, datetime]:
    """From when to when a task with a due time lies in the calendar, whole seconds UTC."""
    if task.not_before is not None and task.not_before > due - TAKES:
        start = task.not_before
        return _seconds(start), _seconds(max(due, start + TAKES))
    return _seconds(due - TAKES), _seconds(due)


def _floating_day(task: CalendarTask, now: datetime) -> date:
    """Today, or the day on which a snooze ends."""
    return max(now, task.not_before or now).astimezone(ZoneInfo(task.time_zone)).date()


def _todo(task: CalendarTask, now: datetime) -> Todo:
    from icalendar import Todo

    todo = Todo()
    _describe(todo, task, now)
    todo.add("status", "NEEDS-ACTION")
    start = _seconds(task.not_before or task.since)
    due = None if task.due is None else _seconds(task.due)
    if due is None or start < due:  # DUE must be later than DTSTART
        todo.add("dtstart", start)
    if due is not None:
        todo.add("due", due)
        if task.rings and due > now:
            todo.add_component(_alarm(task, due - TAKES))
    return todo


def _describe(part: Component, task: CalendarTask, now: datetime) -> None:
    zone = ZoneInfo(task.time_zone)
    today = now.astimezone(zone).date()
    midnight = datetime.combine(today, time(), zone).astimezone(UTC)
    days = max(0, (today - task.since.astimezone(zone).date()).days)
    overdue = task.due is not None and task.due <= now
    # Without METHOD, DTSTAMP is the time of the last revision. It is also when it becomes
    # overdue, and every midnight, for what lies on "today"; so both numbers take that in. Twice
    # the sequence: when a due time is moved on, "overdue" falls by one while the sequence rises.
    revised = max(task.revision.time, midnight, task.due if overdue and task.due else midnight)
    part.add("uid", task.uid)
    part.add("dtstamp", _seconds(revised))
    part.add("sequence", 2 * task.revision.sequence + overdue + days)
    part.add("created", _seconds(task.since))
    part.add("summary", task.title)
    part.add("description", _description(task))
    part.add("url", task.url)
    part.add("categories", [task.severity.word])
    part.add("priority", _PRIORITY[task.severity])


def _description(task: CalendarTask) -> str:
    """What to do and why, and what the trade's words in it mean: each entry is read by itself."""
    text = text_of(task.instruction)
    words = words_in((task.title, text))
    return "\n".join((text, "", "Words", *map(str, words))) if words else text


def _alarm(task: CalendarTask, trigger: timedelta | datetime) -> Alarm:
    from icalendar import Alarm

    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", task.title)
    if isinstance(trigger, datetime):
        alarm.add("trigger", trigger, {"VALUE": "DATE-TIME"})
    else:
        alarm.add("trigger", trigger)
    return alarm


def _seconds(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(microsecond=0)
