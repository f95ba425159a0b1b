"""The task calendar, read again by icalendar and by a second, strict parser."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import icalendar
import pytest

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import (
    Evidence,
    Finding,
    Recommendation,
    Severity,
    State,
)
from service.integrations.calendar.tasks import Form, tank_calendar
from service.registry.models.events import Revision
from service.registry.models.tank import Tank
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank
from tests.registries import sqlite_registry

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
PAGE = "https://tanks.example.org/tanks/reed"
TANK = Tank("reed", "Schilfecke, links; „hell“", time_zone="Europe/Vienna")

CHANGE = Recommendation(
    "water-change-due-0011",
    "reed",
    Finding(
        "water-change-due",
        Severity.ADVICE,
        "Change 90 L of water",
        "Change 50 %, 90 L; match 24 °C.",
        (Evidence("the last change was 8 days ago"),),
        due=NOW + 6 * HOUR,
        cautions=("unplug the heater first",),
    ),
    State.OPEN,
    NOW - HOUR,
    NOW,
)


def with_finding(**changes: Any) -> Recommendation:
    return replace(CHANGE, finding=replace(CHANGE.finding, **changes))


def feed(*ones: Recommendation, now: datetime = NOW, form: Form = Form.EVENTS) -> bytes:
    revisions = {one.id: Revision(41, NOW - HOUR) for one in ones}
    return tank_calendar(TANK, ones, revisions, now, PAGE, form)


def only(data: bytes, name: str = "VEVENT") -> Any:
    strict(data)
    (part,) = icalendar.Calendar.from_ical(data).walk(name)
    return part


def strict(data: bytes) -> Any:
    """Parse by `ical`, which refuses what RFC 5545 forbids."""
    from ical.calendar_stream import IcsCalendarStream  # not by every process that collects tests

    return IcsCalendarStream.calendar_from_ics(data.decode())


def test_a_due_task_ends_when_it_is_due() -> None:
    event = only(feed(CHANGE))
    assert event.decoded("dtstart") == NOW + 5.5 * HOUR
    assert event.decoded("dtend") == NOW + 6 * HOUR
    assert event["uid"] == "water-change-due-0011.reed@littoral"
    assert event["summary"] == "Schilfecke, links; „hell“: Change 90 L of water"
    assert event["description"] == (
        "Change 50 %, 90 L; match 24 °C.\n\nWhy:\n- the last change was 8 days ago\n\n"
        "Before you start:\n- unplug the heater first\n\n"
        "Words\nheater: the glass or metal rod that warms the water.\n"
        "litre: 1 L is about the water of a large bottle. 1 mL is a thousandth of it."
    )
    assert (event["priority"], event["transp"]) == (5, "TRANSPARENT")
    assert event.decoded("dtstamp") == NOW - HOUR
    (alarm,) = event.walk("VALARM")
    assert (alarm["action"], alarm.decoded("trigger")) == ("DISPLAY", timedelta(0))


@pytest.mark.parametrize("form", list(Form))
def test_the_trades_words_of_an_entry_are_explained_in_it(form: Form) -> None:
    asked = with_finding(title="Test KH", action="Rinse the pre-filter.", cautions=())
    text = only(feed(asked, form=form), "VEVENT" if form is Form.EVENTS else "VTODO")["description"]
    words = str(text).partition("\n\nWords\n")[2].splitlines()
    assert [one.partition(":")[0] for one in words] == ["filter", "KH", "pre-filter"]


@pytest.mark.parametrize("form", list(Form))
def test_an_entry_links_to_the_tanks_page(form: Form) -> None:
    """`URL` (RFC 5545, 3.8.4.6): "a dynamic rendition of the calendar information"."""
    data = feed(CHANGE, form=form)
    assert only(data, "VEVENT" if form is Form.EVENTS else "VTODO")["url"] == PAGE


def test_the_second_parser_reads_the_same() -> None:
    (event,) = strict(feed(CHANGE)).events
    assert (event.uid, event.dtstart, event.dtend) == (
        "water-change-due-0011.reed@littoral",
        NOW + 5.5 * HOUR,
        NOW + 6 * HOUR,
    )
    assert event.summary == "Schilfecke, links; „hell“: Change 90 L of water"
    assert event.sequence == 82
    assert str(event.url) == PAGE


@pytest.mark.parametrize("form", list(Form))
def test_the_file_is_as_rfc_5545_wants_it(form: Form) -> None:
    data = feed(CHANGE, with_finding(due=None), form=form)
    lines = data.split(b"\r\n")
    assert lines[0] == b"BEGIN:VCALENDAR"
    assert lines[-2:] == [b"END:VCALENDAR", b""]
    assert all(len(line) <= 75 for line in lines)
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert b"METHOD" not in data
    for name in (b"PRODID:", b"VERSION:2.0"):
        assert data.count(name) == 1
    for begin in re.findall(
        rb"BEGIN:V(?:EVENT|TODO)\r\n.*?(?=BEGIN:VALARM|END:V)", data, re.DOTALL
    ):
        for name in (b"\r\nUID:", b"\r\nDTSTAMP:", b"\r\nSEQUENCE:", b"\r\nSUMMARY:"):
            assert begin.count(name) == 1


@pytest.mark.parametrize("due", [None, NOW - DAY, NOW])
def test_without_a_due_time_or_overdue_it_lies_on_today(due: datetime | None) -> None:
    event = only(feed(with_finding(due=due)))
    assert event.decoded("dtstart") == date(2026, 5, 4)
    assert event.decoded("dtend") == date(2026, 5, 5)
    (alarm,) = event.walk("VALARM")
    assert alarm.decoded("trigger") == timedelta(hours=9)


def test_today_is_the_tanks_day() -> None:
    late = datetime(2026, 5, 4, 22, 30, tzinfo=UTC)  # half past midnight in Vienna
    event = only(feed(with_finding(due=None), now=late))
    assert event.decoded("dtstart") == date(2026, 5, 5)
    assert event.decoded("dtstamp") == datetime(2026, 5, 4, 22, tzinfo=UTC)


def test_a_snoozed_task_waits() -> None:
    snoozed = replace(CHANGE, state=State.SNOOZED, snoozed_until=NOW + 2 * DAY)
    event = only(feed(snoozed))
    assert event.decoded("dtstart") == NOW + 2 * DAY
    assert event.decoded("dtend") == NOW + 2 * DAY + HOUR / 2
    overdue = replace(snoozed, finding=replace(CHANGE.finding, due=NOW - DAY))
    assert only(feed(overdue)).decoded("dtstart") == date(2026, 5, 6)


def test_information_without_a_date_is_no_event_but_a_to_do() -> None:
    info = with_finding(severity=Severity.INFO, due=None)
    assert icalendar.Calendar.from_ical(feed(info)).walk("VEVENT") == []
    todo = only(feed(info, form=Form.TODOS), "VTODO")
    assert todo["priority"] == 9
    assert todo.walk("VALARM") == []


def test_what_is_folded_does_not_ring() -> None:
    event = only(feed(replace(CHANGE, folded=True)))
    assert event.walk("VALARM") == []


def test_to_dos() -> None:
    todo = only(feed(CHANGE, form=Form.TODOS), "VTODO")
    assert (todo.decoded("dtstart"), todo.decoded("due")) == (NOW - HOUR, NOW + 6 * HOUR)
    assert todo["status"] == "NEEDS-ACTION"
    (alarm,) = todo.walk("VALARM")
    assert alarm.decoded("trigger") == NOW + 5.5 * HOUR


def test_a_to_do_is_never_due_before_it_starts() -> None:
    todo = only(feed(with_finding(due=NOW - DAY), form=Form.TODOS), "VTODO")
    assert "dtstart" not in todo
    assert todo.decoded("due") == NOW - DAY


@pytest.mark.parametrize(
    "text", ["a,b;c\\d", "zwei\nZeilen", "水草" * 60, "👩‍👧" * 40, ": BEGIN:VEVENT"]
)
def test_any_text_survives(text: str) -> None:
    event = only(feed(with_finding(title=text, action=text)))
    assert event["summary"] == f"{TANK.name}: {text}"
    assert event["description"].startswith(text)


def test_an_empty_calendar_is_a_calendar() -> None:
    calendar = icalendar.Calendar.from_ical(feed())
    assert calendar["name"] == calendar["x-wr-calname"] == TANK.name
    assert strict(feed()).events == []


def test_uid_stays_and_sequence_only_rises(tmp_path: Path) -> None:
    """Over days of a real ledger: opened, due moved, overdue, pruned events."""
    registry = sqlite_registry(tmp_path / "registry.db")
    tank = a_tank()
    registry.put_tank(tank)
    ledger = Ledger(registry)
    due = NOON + 2 * DAY
    seen = []
    for hours in range(0, 24 * 20, 6):
        now = NOON + hours * HOUR
        if now == due + 2 * DAY:
            due = now + 3 * DAY
        ledger.update(at(now), [finding("water", due=due)])
        registry.prune_events(now - 5 * DAY)
        standing = ledger.list(tank.id)
        revisions = registry.revisions([one.id for one in standing])
        event = only(tank_calendar(tank, standing, revisions, now, PAGE))
        content = event.to_ical()
        seen.append((event["uid"], event["sequence"], event.decoded("dtstamp"), content))
    assert len({uid for uid, *_ in seen}) == 1
    for (_, before, stamp, old), (_, after, later, new) in pairwise(seen):
        assert after >= before
        assert later >= stamp
        if old != new:
            assert after > before
    registry.close()
