"""The client's handover sheets and reports on return, over real HTTP."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from service.client import Amount, Client, ProblemError
from tests.api.test_handover import AWAY, away  # noqa: F401 - a fixture used here too


def test_reads_the_sheet(url, away):  # noqa: F811
    service = Client(url)
    sheet = service.handover()
    assert (sheet.absence.id, sheet.absence.covers) == ("june", AWAY["covers"])
    (page,) = sheet.tanks
    dose = next(one for one in page.tasks if one.code == "dose-due")
    assert (dose.day, dose.amounts) == (date(2025, 6, 8), [Amount("trace", 6.0, "mL")])
    given = service.handover(start=date(2025, 6, 5), end=date(2025, 6, 6), tank="riffle")
    assert given.absence.id is None
    assert [one.day.day for one in given.tanks[0].tasks] == [5, 6]
    with pytest.raises(ProblemError, match="the id of an absence"):
        service.handover(absence="none")


def test_reads_the_report_on_return(url, away):  # noqa: F811
    report = Client(url).handover_return(start=date(2025, 6, 1))
    (tank,) = report.tanks
    assert [one.text for one in tank.done] == ["Water change, 50 %"]
    assert report.absence.start == datetime(2025, 5, 31, 22, tzinfo=UTC)
    with pytest.raises(ProblemError, match="has begun"):
        Client(url).handover_return(absence="june")
