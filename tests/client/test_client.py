"""The client's questions, answered by the real application over real HTTP."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from service.client import Client, ClientError, ProblemError, UnreachableError
from tests.api.scenes import TANK, day_of_readings, put

COMFORT = [{"species": "Invented", "temperature": {"low": 20, "high": 28, "unit": "Cel"}}]


def test_answers_are_typed(client, context, url, look):
    put(client, animals=COMFORT, notes="n")
    day_of_readings(context.store)
    look()
    service = Client(url)
    assert [tank.id for tank in service.tanks()] == ["riffle"]
    assert service.tank("riffle").document["notes"] == "n"
    assert service.put_tank("pool", TANK).name == "Invented tank"
    co2 = service.co2("riffle")
    assert co2.co2.value == pytest.approx(21.4413, rel=5e-4)
    assert co2.time == datetime(2025, 6, 4, 12, tzinfo=UTC)
    assert service.co2("pool").co2 is None
    assert len(list(service.co2_series("riffle", every="1h"))) == 24
    assert service.light("riffle", date(2025, 6, 4)).photoperiod.unit == "h"
    assert service.temperature("riffle").range.high == 28.0
    start = datetime(2025, 6, 4, 11, tzinfo=UTC)
    readings = list(service.readings("riffle", quantity="ph", start=start))
    assert len(readings) == 60
    assert readings[0].unit == "[pH]"
    hours = list(service.readings("riffle", quantity="ph", every="PT1H", aggregate="max"))
    assert hours[-1].count == 60
    assert {one.sensor for one in service.sensors("riffle")} == {"glass-1", "wet-1", "lamp-1"}
    entry = service.add_log(
        "riffle", "water-change", {"fraction": {"value": 50, "unit": "%"}}, by="me"
    )
    assert entry.data["volume"]["unit"] == "L"
    assert [one.id for one in service.log("riffle", kind="water-change")] == [entry.id]
    assert service.recommendations() == service.recommendations("riffle") + service.recommendations(
        "pool"
    )


def test_marks(client, context, url, look):
    put(client, animals=[{"species": "I", "temperature": {"low": 18, "high": 22, "unit": "Cel"}}])
    day_of_readings(context.store)
    look()
    service = Client(url)
    (one,) = [each for each in service.recommendations("riffle") if "warm" in each.title.lower()]
    assert service.mark(one.id, "snooze", length="2h").state == "snoozed"
    assert service.mark(one.id, "open").state == "open"
    assert service.mark(one.id, "done").state == "done"


def test_follows_to_the_next_part(client, context, url):
    put(client)
    for number in range(3):
        day_of_readings(context.store, until=datetime(2025, 6, 2 + number, 12, tzinfo=UTC))
    service = Client(url)
    start = datetime(2025, 6, 1, 12, tzinfo=UTC)
    assert len(list(service.readings("riffle", start=start))) == 3 * 3 * 1440 - 3


def test_errors(client, url):
    put(client)
    with pytest.raises(ProblemError) as caught:
        Client(url).add_log("riffle", "water-change", {"fraction": {"value": 500, "unit": "%"}})
    assert caught.value.type == "/problems/invalid-input"
    assert caught.value.status == 422
    assert caught.value.faults[0].pointer == "/data/fraction/value"
    with pytest.raises(UnreachableError):
        Client("http://127.0.0.1:9").tanks()
    with pytest.raises(ClientError, match="is it Littoral"):
        Client(f"{url}/docs#").tanks()
    with pytest.raises(ValueError, match="time zone"):
        Client(url).add_log("riffle", "trim", time=datetime(2025, 1, 1))  # noqa: DTZ001
