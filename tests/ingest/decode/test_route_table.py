"""Routes of the configuration and of the registry together."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.decode.route_table import routes_in_use, why_refused
from service.config import RouteConfig
from service.registry.models.ingest import StoredRoute

CONFIGURED = (RouteConfig("yard/box", "reed", "temperature", path="water"),)


def stored(id, *args, **keys):
    return StoredRoute(id, RouteConfig(*args, **keys), datetime(2031, 5, 4, tzinfo=UTC))


def test_a_stored_route_that_contradicts_the_configuration_is_left_out_with_why():
    good = stored("good", "yard/box", "reed", "ph", path="ph")
    found = routes_in_use(
        CONFIGURED,
        [
            stored("lost", "yard/box", "reed", "temperature", path="air"),
            good,
            stored("worse", "yard/+", "reed", "ph", path="ph2"),
            stored("broken", "yard/#/x", "reed", "ph"),
            stored("odd", "yard/x", "reed", "ph", unit="degF"),
        ],
    )
    assert found.routes == (*CONFIGURED, good.route)
    assert set(found.left_out) == {"lost", "worse", "broken", "odd"}
    assert "write two values into one series" in found.left_out["lost"]


@pytest.mark.parametrize(
    ("route", "words"),
    [
        (RouteConfig("yard/box", "reed", "temperature", path="air"), "two values into one series"),
        (RouteConfig("yard/other", "reed", "temperature"), "feeds temperature of reed"),
        (CONFIGURED[0], "feeds temperature of reed"),
        (RouteConfig("yard/box", "reed", "ph", unit="degF"), "allowed for ph"),
    ],
)
def test_a_new_route_is_refused_in_a_sentence(route, words):
    assert words in why_refused(route, CONFIGURED)


def test_one_with_another_sensor_is_taken():
    route = RouteConfig("yard/other", "reed", "temperature", "rear")
    assert why_refused(route, CONFIGURED) is None
