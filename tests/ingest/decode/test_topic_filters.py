"""MQTT topic filters: which cover or overlap others."""

from __future__ import annotations

import pytest

from ingest.decode.topic_filters import any_overlap, covers, first_match, overlap, widened


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
