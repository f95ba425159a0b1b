"""Routes that would write two values of one message into one series are refused."""

from __future__ import annotations

import pytest

from ingest.decode.route_conflicts import conflict
from ingest.decode.routes import Router
from service.config import RouteConfig
from service.errors import ConfigError


def route(topic="shed/box", **keys):
    return RouteConfig(topic, **{"tank": "reed", "quantity": "temperature"} | keys)


CONFLICTS = [
    (route(path="water.temp"), route(path="air.temp")),
    (route(path="a"), route("shed/+", path="b")),
    (route(path="a"), route("#", path="b")),
    (route("reed/box", path="a"), route("{tank}/box", tank=None, path="b", sensor="main")),
    (
        RouteConfig("{tank}/{quantity}", path="a", names={"temp": "temperature"}),
        RouteConfig("reed/temp", tank="reed", quantity="temperature", path="b"),
    ),
    (RouteConfig("x/{tank}/{quantity}"), RouteConfig("x/{tank}/{quantity}", unit="degF")),
    (
        route("shed/+", sensor="rear", path="a"),
        RouteConfig("shed/{sensor}", tank="reed", quantity="temperature"),
    ),
]
HARMLESS = [
    (route(path="a"), route(path="b", sensor="rear")),
    (route(path="a"), route(path="b", quantity="ph")),
    (route(path="a"), route(path="b", tank="sedge")),
    (route(path="a"), route("yard/box", path="b")),
    (route(path="a"), route("shed/+", path="a")),
    (route(), route(path="value")),
    (route(sensor="rear"), RouteConfig("shed/{sensor}", "reed", "temperature", path="a")),
    (route("shed/+/x", path="a"), route("shed/y", path="b")),
    (
        RouteConfig("{tank}/x", quantity="ph", path="a"),
        RouteConfig("reed/{tank}", quantity="ph", path="b"),
    ),
]


@pytest.mark.parametrize(("one", "other"), CONFLICTS)
def test_two_values_into_one_series_are_refused(one, other):
    said = conflict(one, other)
    assert said is not None
    assert conflict(other, one) is not None
    assert "sensor" in said
    with pytest.raises(ConfigError, match="one series"):
        Router("littoral", [one, other])


@pytest.mark.parametrize(("one", "other"), HARMLESS)
def test_others_are_taken(one, other):
    assert conflict(one, other) is None
    assert conflict(other, one) is None
    Router("littoral", [one, other])
