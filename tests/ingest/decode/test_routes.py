"""Routes: MQTT filters with named levels."""

from __future__ import annotations

import pytest

from ingest.decode.routes import Router, sensor_name
from service.config import RouteConfig
from service.errors import ConfigError


@pytest.mark.parametrize(
    ("topic", "extra"),
    [
        ("a/#/b", {"tank": "reed"}),
        ("a/b#", {"tank": "reed"}),
        ("a/b+/c", {"tank": "reed"}),
        ("a/{tank}/{tank}", {}),
        ("a/{tonk}/x", {"tank": "reed"}),
        ("a/x{tank}", {"tank": "reed"}),
        ("a/{quantity}", {}),
        ("a/{tank}", {"format": "number"}),
    ],
)
def test_wrong_route_is_refused_by_name(topic, extra):
    with pytest.raises(ConfigError, match=r"route\.topic"):
        Router("littoral", [RouteConfig(topic, **extra)])


def test_filters_leave_out_what_another_covers():
    routes = [
        RouteConfig("shed/{tank}/{quantity}"),
        RouteConfig("shed/reed/+", tank="reed", quantity="ph"),
        RouteConfig("littoral/x/y/z", tank="reed", quantity="ph"),
    ]
    assert Router("littoral", routes).filters() == ["littoral/#", "shed/+/+"]


def test_hash_matches_the_parent_level():
    router = Router("littoral", [RouteConfig("shed/#", tank="reed", quantity="ph")])
    assert [t.tank for t in router.targets("shed")] == ["reed"]
    assert [t.tank for t in router.targets("shed/a/b")] == ["reed"]


def test_sensor_names():
    assert sensor_name("Kitchen Probe") == "kitchen-probe"
    assert sensor_name("µ") == "main"
    assert len(sensor_name("x" * 200)) == 64


def test_topics_nobody_asked_for_are_nothing():
    assert Router("littoral").targets("kitchen/lamp") == ()
