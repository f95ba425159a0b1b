"""What no store is given, to the last microsecond and character."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.errors import StoreRefusedError
from service.store import Reading
from service.store.checks import MAX_NAME_LENGTH, MAX_TIME_US, MIN_TIME_US, check_readings

GOOD = Reading("reed", "ph", "main", 1_700_000_000_000_000, 6.6)


@pytest.mark.parametrize(
    "change",
    [
        {"time_us": MIN_TIME_US},
        {"time_us": MAX_TIME_US},
        {"sensor": "s" * MAX_NAME_LENGTH},
        {"sensor": "µ °"},
        {"raw": 0.0},
    ],
)
def test_what_lies_on_the_edge_is_taken(change):
    check_readings([GOOD, replace(GOOD, **change)])


@pytest.mark.parametrize(
    "change",
    [
        {"time_us": MIN_TIME_US - 1},
        {"time_us": MAX_TIME_US + 1},
        {"sensor": "s" * (MAX_NAME_LENGTH + 1)},
        {"tank": ""},
        {"quantity": "p\nh"},
        {"value": float("nan")},
        {"raw": float("inf")},
    ],
)
def test_what_lies_beyond_is_refused_by_name(change):
    with pytest.raises(StoreRefusedError, match=f"{next(iter(change))} .*is .*; allowed: "):
        check_readings([GOOD, replace(GOOD, **change)])


def test_the_times_are_those_of_the_years_named():
    """2000-01-01 is 946,684,800 s after 1970 (10,957 days), 2262-01-01 is 106,651 days after."""
    assert MIN_TIME_US == 10_957 * 86_400 * 1_000_000
    assert MAX_TIME_US == 106_651 * 86_400 * 1_000_000 - 1
