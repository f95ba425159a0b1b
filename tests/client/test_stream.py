"""The client's event stream, over real HTTP."""

from __future__ import annotations

import pytest

from service.client import Client, ProblemError, stream
from service.registry.models.access import Scope
from tests.api.conftest import NOW
from tests.api.scenes import day_of_readings, put, reading
from tests.client.test_client import COMFORT
from tests.over_http import served


@pytest.fixture
def calm(client, context):
    put(client, animals=COMFORT)
    day_of_readings(context.store)


def test_goes_on_from_the_event_it_saw_last(app, context, calm, look, monkeypatch):
    monkeypatch.setattr(stream, "RETRY_S", 0.1)
    lost = []
    with served(app, context) as address:
        port = int(address.rpartition(":")[2])
        events = Client(address).events("riffle", lost=lost.append)
        assert next(events).type == "listening"
    day_of_readings(context.store, celsius=32.0)
    look()  # while nobody listens
    with served(app, context, port):
        assert next(events).type == "listening"
        assert lost == [], "the service had ended the stream itself"
        event = next(events)
        assert (event.type, event.data["tank"]) == ("recommendation.opened", "riffle")
        assert event.id >= 1
        events.close()


def test_readings_are_streamed(url, calm, context):
    events = Client(url).events(readings=True)
    first = [next(events) for _ in range(4)]
    assert [one.type for one in first] == ["reading"] * 3 + ["listening"]
    context.store.write([reading("ph", -1, 6.5, sensor="glass-1")])
    event = next(events)
    assert (event.type, event.id, event.data["value"]) == ("reading", None, 6.5)
    events.close()


def test_is_refused_without_its_token(url, calm, context):
    _, secret = context.registry.create_token("watcher", Scope.READ, NOW)
    with pytest.raises(ProblemError, match="Bearer"):
        next(Client(url).events())
    events = Client(url, secret).events()
    assert next(events).type == "listening"
    events.close()
