"""Absences by their page: planned, changed and ended; days are those of the tanks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.registry.models.absence import Absence
from service.registry.models.tank import Tank
from tests.api.conftest import NOW
from tests.pages.settings.conftest import fault_at, faults

AT = "/absences"


@pytest.fixture
def tanks(context):
    for id, zone in (("riffle", "Europe/Lisbon"), ("sedge", "Pacific/Auckland")):
        context.registry.put_tank(Tank(id, id.capitalize(), time_zone=zone))


def planned(visitor, **typed):
    return visitor.send(AT, visitor.form(AT, AT) | typed)


def test_days_are_the_tank_s_and_the_last_is_included(tanks, visitor, context):
    """Lisbon: UTC+1 in July; Auckland: UTC+12 in July, +13 from 28 September 2025 on (IANA)."""
    status, page = planned(visitor, start="2025-07-01", end="2025-07-21", covers="the colleague")
    assert status == 303, faults(page)
    assert "Planned: Tue 1 Jul 2025 to Mon 21 Jul 2025" in page
    (one,) = context.registry.absences()
    assert (one.start, one.end) == (
        datetime(2025, 6, 30, 23, tzinfo=UTC),
        datetime(2025, 7, 21, 23, tzinfo=UTC),
    )
    assert (one.covers, one.tanks, len(one.id)) == ("the colleague", (), 16)
    status, page = planned(
        visitor, start="2025-09-27", end="2025-09-28", end_time="18:30", tanks=["sedge"],
        contact="extension 12",
    )  # fmt: skip
    assert status == 303, faults(page)
    last = context.registry.absences()[-1]
    assert (last.start, last.end) == (
        datetime(2025, 9, 26, 12, tzinfo=UTC),
        datetime(2025, 9, 28, 5, 30, tzinfo=UTC),
    )
    assert (last.tanks, last.contact) == (("sedge",), "extension 12")


def test_from_the_handover_page_the_sheet_follows(tanks, visitor):
    form = visitor.form("/handover", AT)
    status, page = visitor.send(AT, form | {"start": "2025-07-01", "end": "2025-07-03"})
    assert status == 303
    assert "Tue 1 Jul 2025 to Thu 3 Jul 2025" in page
    assert "<h1>Handover</h1>" in page


@pytest.mark.parametrize(
    ("typed", "name", "says"),
    [
        ({"start": "2025-07-10", "end": "2025-07-09"}, "end", "a time after the start"),
        ({"start": "", "end": "2025-07-09"}, "start", "a day such as 2026-05-01"),
        ({"start": "soon", "end": "2025-07-09"}, "start", "'soon'; allowed: a day"),
        ({"start": "2025-07-01", "end": "2027-07-01"}, "end", "within 366 days"),
        ({"start": "2025-07-01", "end": "2025-07-02", "end_time": "25:00"}, "end", "allowed"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field(tanks, visitor, context, typed, name, says):
    status, page = planned(visitor, note="Two\r\nlines", **typed)
    assert status == 422
    assert says in fault_at(page, f"absence-{name}")
    assert "Two\r\nlines</textarea>" in page
    assert f'value="{typed["end"]}"' in page
    assert context.registry.absences() == []


def stored(context, **members):
    one = Absence("away", NOW - timedelta(days=1, minutes=7), NOW + timedelta(days=3), **members)
    context.registry.put_absences([one])
    return one


def test_a_change_leaves_the_rest_as_it_was(tanks, visitor, context):
    before = stored(context, covers="A", tanks=("riffle",))
    form = visitor.form(AT, f"{AT}/away")
    status, page = visitor.send(f"{AT}/away", form | {"tanks": "riffle", "covers": "B"})
    assert status == 303, faults(page)
    (after,) = context.registry.absences()
    assert (after.start, after.end) == (before.start, before.end), "to the second"
    assert (after.covers, after.tanks) == ("B", ("riffle",))


def test_a_change_by_somebody_else_is_said(tanks, visitor, context):
    stored(context)
    form = visitor.form(AT, f"{AT}/away")
    others = [*context.registry.absences(), Absence("other", NOW, NOW + timedelta(days=1))]
    context.registry.put_absences(others)
    assert visitor.send(f"{AT}/away", form | {"covers": "B"})[0] == 303, "another absence: no harm"
    status, page = visitor.send(f"{AT}/away", form | {"covers": "C"})
    assert status == 412
    assert any("changed by somebody else meanwhile" in one for one in faults(page))
    assert 'value="C"' in page
    assert [one.covers for one in context.registry.absences()] == ["B", ""]


def test_ending_one_that_goes_on_leads_to_its_report(tanks, visitor, context):
    stored(context)
    form = visitor.form(AT, f"{AT}/away/end")
    status, page = visitor.send(f"{AT}/away/end", form)
    assert status == 303
    assert "The absence has ended" in page
    assert context.registry.absences()[0].end == NOW
    status, page = visitor.send(f"{AT}/away/end", form)
    assert (status, any("is over" in one for one in faults(page))) == (409, True)


def test_one_that_is_still_to_come_is_taken_off(tanks, visitor, context):
    context.registry.put_absences([Absence("away", NOW + timedelta(1), NOW + timedelta(2))])
    status, page = visitor.send(f"{AT}/away/end", visitor.form(AT, f"{AT}/away/end"))
    assert status == 303
    assert "still to come" in page
    assert context.registry.absences() == []
    assert visitor.client.post(f"{AT}/away/end").status_code == 404


def test_a_reader_may_not_plan_one(tanks, reader, context):
    form = reader.form(AT, AT)
    assert reader.send(AT, form | {"start": "2025-07-01", "end": "2025-07-02"})[0] == 403
    assert context.registry.absences() == []
