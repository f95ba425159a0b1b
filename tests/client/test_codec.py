"""Values to addresses, options and JSON, and answers to values."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from service.client import ClientError, Recommendation
from service.client.codec import options_of, tank_of, tank_path, text_of, value_of


def test_a_tank_is_one_part_of_an_address() -> None:
    assert tank_path("a/b ü") == "/v1/tanks/a%2Fb%20%C3%BC"
    assert tank_path("reed", "log") == "/v1/tanks/reed/log"


def test_options_leave_out_what_is_not_given() -> None:
    east = timezone(timedelta(hours=2))
    found = options_of(start=datetime(2025, 6, 4, 12, tzinfo=east), date=date(2025, 6, 4), end=None)
    assert found == {"start": "2025-06-04T10:00:00Z", "date": "2025-06-04"}
    assert text_of(None) is None and text_of(5) == "5"
    with pytest.raises(ValueError, match="a datetime with a time zone"):
        text_of(datetime(2025, 6, 4))  # noqa: DTZ001


def test_an_answer_of_another_shape_is_an_error_of_the_client() -> None:
    with pytest.raises(ClientError, match="the answer is no Recommendation"):
        value_of(Recommendation, {"id": "x"})
    with pytest.raises(ClientError, match="the answer is no tank"):
        tank_of([])
    tank = tank_of({"id": "reed", "name": "Reed", "time_zone": "UTC", "more": 1})
    assert (tank.id, tank.document["more"]) == ("reed", 1)
    assert value_of(datetime, "2025-06-04T10:00:00Z") == datetime(2025, 6, 4, 10, tzinfo=UTC)
