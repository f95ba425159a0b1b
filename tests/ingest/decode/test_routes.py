"""Routes: MQTT filters with named levels."""

from __future__ import annotations

import pytest

from ingest.decode.routes import Router, sensor_name
from ingest.decode.topic_filters import any_overlap, covers, first_match, overlap, widened
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


@pytest.mark.parametrize(
    ("wide", "narrow", "expected"),
    # MQTT 5.0 (OASIS 2019), section 4.7.1: '#' also matches the parent level
    [
        ("a/#", "a/b/c", True),
        ("a/#", "a", True),
        ("a/+/c", "a/b/c", True),
        ("a/+", "a/#", False),
        ("a/b", "a/+", False),
        ("a/+", "a/b/c", False),
        ("#", "a/#", True),
        ("+/b", "a/b", True),
        ("a/+/c", "a/b/+", False),
    ],
)
def test_covers(wide, narrow, expected):
    assert covers(wide, narrow) is expected


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


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("a/+", "+/b", True),
        ("a/+", "b/+", False),
        ("a/#", "a", True),
        ("a/#", "+/b/c", True),
        ("a/b", "a/b/c", False),
        ("a/b/#", "a/+", True),
    ],
)
def test_overlap(first, second, expected):
    assert overlap(first, second) is expected
    assert overlap(second, first) is expected


def test_widened_filters_cover_and_do_not_overlap():
    filters = ["littoral/#", "yard/+/ph", "yard/reed/+", "x/+/ph/now", "x/reed/#"]
    wide = widened(filters)
    assert wide == ["littoral/#", "yard/+/+", "x/+/#"]
    assert all(any(covers(w, f) for w in wide) for f in filters)
    assert not any_overlap(wide)
    assert first_match(filters, "yard/reed/ph") == 1
    assert first_match(filters, "z") is None


def test_topics_nobody_asked_for_are_nothing():
    assert Router("littoral").targets("kitchen/lamp") == ()
