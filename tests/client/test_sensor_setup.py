"""Routes, topics, calibrations and deliveries by the typed client, over real HTTP."""

from __future__ import annotations

import pytest

from service.client import Client, ProblemError
from service.client.sensor_values import Route
from tests.api.scenes import TANK
from tests.api.test_deliveries import dead  # noqa: F401 - a fixture used here too


def test_a_route_is_made_listed_and_deleted(url):
    service = Client(url)
    service.create_tank("riffle", TANK)
    made = service.add_route("yard/box/ph", tank="riffle", quantity="ph")
    assert made.origin == "registry"
    assert made.route == Route("yard/box/ph", "riffle", "ph")
    assert service.routes() == [made]
    assert service.delete_route(made.id).id == made.id
    assert service.routes() == []
    with pytest.raises(ProblemError, match="404"):
        service.delete_route(made.id)


def test_without_a_broker_the_topics_say_why(url):
    heard = Client(url).broker_topics("yard/#")
    assert heard.topics == []
    assert heard.trouble or not heard.listening


def test_a_delivery_that_was_given_up_is_sent_again(url, dead):  # noqa: F811
    service = Client(url)
    (found,) = service.deliveries(state="dead", target="colleague")
    assert (found.id, found.last_error, found.event.subject) == (dead, "it answers 500", "a")
    assert service.redeliver(found.id).state == "waiting"
    assert service.deliveries(state="dead") == []


def test_a_calibration_is_listed_and_undone(url):
    service = Client(url)
    service.create_tank("riffle", TANK)
    data = {"quantity": "temperature", "sensor": "wet", "offset": 0.4}
    entry = service.add_log("riffle", "calibration", data)
    (found,) = service.calibrations("riffle")
    assert (found.id, found.quantity, found.sensor) == (entry.id, "temperature", "wet")
    undone = service.undo_calibration("riffle", entry.id)
    assert (undone.id, undone.readings, undone.changed) == (entry.id, 0, 0)
    assert service.calibrations("riffle") == []
