"""``littoral status`` and the client, asking the real application over real HTTP."""

from __future__ import annotations

import json
import threading
from contextlib import contextmanager
from datetime import UTC, date, datetime

import pytest

from service.advice.engine.scheduler import Scheduler
from service.api.server import Server
from service.client import Client, ClientError, ProblemError, UnreachableError
from service.config import HttpConfig
from tests.api.scenes import TANK, day_of_readings, put
from tests.cli.conftest import refused


@contextmanager
def served(app, context, port=0):
    """The application over real HTTP; its address."""
    context.stopping.clear()
    server = Server(app, HttpConfig(port=port))
    thread = threading.Thread(target=server.run, args=(context.stopping,))
    thread.start()
    try:
        yield server.url
    finally:
        context.stopping.set()
        thread.join()


@pytest.fixture
def url(app, context):
    with served(app, context) as address:
        yield address


@pytest.fixture
def look(context):
    return Scheduler(context.registry, context.store, context.clock, 60.0).evaluate_all


def comfortable(client, context, **members):
    tolerated = {"low": 20, "high": 28, "unit": "Cel"}
    put(client, livestock=[{"species": "Invented", "temperature": tolerated}], **members)
    day_of_readings(context.store)


def test_in_order(littoral, client, context, url):
    comfortable(client, context)
    done = littoral("status", "riffle", "--url", url)
    assert done.code == 0, done.out
    lines = done.out.splitlines()
    assert lines[0] == "Invented tank (riffle): in order"
    assert lines[1].startswith("  CO2 21.4 mg/L (95 %: ")
    assert "within 20 to 30" in lines[1]
    assert lines[2].startswith("  temperature 25.0 °C, within 20 to 28")
    assert lines[3].startswith("  light 4.0 h today of 8 h")
    assert lines[4] == "  nothing to do"


def test_not_in_order(littoral, client, context, url, look):
    comfortable(client, context)
    day_of_readings(context.store, celsius=32.0)
    look()
    done = littoral("status", "riffle", "--url", url)
    assert done.code == 1
    assert "not in order" in done.out.splitlines()[0]
    assert "warm" in done.out
    answer = json.loads(littoral("status", "riffle", "--url", url, "--json").out)
    assert answer["in_order"] is False
    assert answer["why"]
    assert answer["temperature"]["temperature"] == {"value": 32.0, "unit": "Cel"}
    assert answer["co2"]["co2"]["unit"] == "mg/L"
    assert answer["recommendations"][0]["severity"] in ("warning", "urgent")


def test_what_is_not_known_is_not_in_order(littoral, client, context, url):
    put(client)
    bare = littoral("status", "riffle", "--url", url)
    assert bare.code == 1
    assert "! temperature is unknown" in bare.out
    day_of_readings(context.store, until=datetime(2025, 6, 4, 6, tzinfo=UTC))
    done = littoral("status", "riffle", "--url", url)
    assert done.code == 1
    assert "CO2 unknown" in done.out


def test_all_tanks_the_worst_first(littoral, client, context, url, look, monkeypatch):
    none = littoral("status", "--url", url)
    assert (none.code, none.out) == (1, "there is no tank yet\n"), "nothing is looked after"
    comfortable(client, context)
    put(client, "alder", livestock=[], co2_injected=False)
    day_of_readings(context.store, "alder")
    calm = littoral("status", "--url", url)
    assert calm.code == 0, calm.out
    day_of_readings(context.store, celsius=32.0)
    look()
    done = littoral("status", "--url", url)
    assert done.code == 1
    assert "\x1b" not in done.out
    head, worst, other = done.out.splitlines()
    assert head.split() == ["tank", "CO2,", "mg/L", "last", "day", "°C", "last", "day", "to", "do"]
    assert worst.startswith("riffle  not in order  19.9 below   ")
    assert "32.0 above" in worst and "too warm" in worst and "▁" in worst
    assert other.startswith("alder   in order")
    answer = json.loads(littoral("status", "--json", "--url", url).out)
    assert [one["tank"] for one in answer["tanks"]] == ["riffle", "alder"]
    monkeypatch.setenv("FORCE_COLOR", "1")  # as on a terminal
    monkeypatch.setenv("COLUMNS", "70")
    narrow = littoral("status", "--url", url).out
    assert "\x1b[" in narrow
    assert "▁" not in narrow, "no room for curves"


def test_refusals(littoral, client, url):
    refused(littoral("status", "none", "--url", url), "'none'", "404")
    refused(littoral("status", "riffle", "--url", "http://127.0.0.1:9"), "nobody answers")
    refused(littoral("status", "riffle", "--url", "nowhere"), "nobody answers at nowhere")


def test_client(client, context, url, look):
    comfortable(client, context, notes="n")
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


def test_client_marks(client, context, url, look):
    put(client, livestock=[{"species": "I", "temperature": {"low": 18, "high": 22, "unit": "Cel"}}])
    day_of_readings(context.store)
    look()
    service = Client(url)
    (one,) = [each for each in service.recommendations("riffle") if "warm" in each.title.lower()]
    assert service.mark(one.id, "snooze", length="2h").state == "snoozed"
    assert service.mark(one.id, "open").state == "open"
    assert service.mark(one.id, "done").state == "done"


def test_client_follows_to_the_next_part(client, context, url):
    put(client)
    for number in range(3):
        day_of_readings(context.store, until=datetime(2025, 6, 2 + number, 12, tzinfo=UTC))
    service = Client(url)
    start = datetime(2025, 6, 1, 12, tzinfo=UTC)
    assert len(list(service.readings("riffle", start=start))) == 3 * 3 * 1440 - 3


def test_client_errors(client, url):
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
