"""Rules on light speak only of what was seen."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.store.model import Samples
from tests.advice.cases import amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, days_of, lamp

RULES = ("light-short", "light-long", "light-dead", "light-dose", "light-shifted", "gas-early")


def with_gap(first_h: float, last_h: float, **of_lamp: float) -> dict[str, Samples]:
    """Eight days of which the hours between two were not read by the light sensor."""
    series = days_of(NOON, lux=lambda t: lamp(t, **of_lamp))
    lux = series["illuminance"]
    hour = lux.time_us / 3.6e9 % 24
    seen = (hour < first_h) | (hour >= last_h)
    series["illuminance"] = Samples(lux.time_us[seen], lux.value[seen], lux.flags[seen])
    return series


@pytest.mark.parametrize(("first_h", "last_h"), [(9, 11), (17, 19), (9.5, 10.5), (13, 15), (2, 4)])
def test_hours_that_were_not_seen_are_not_missing_light(first_h: float, last_h: float) -> None:
    """Lit 8 h by plan; without what the gap hid it would be an hour or two short."""
    view = view_with(series=with_gap(first_h, last_h))
    assert [one.title for code in RULES for one in found(view, code)] == []


def test_a_lamp_that_is_short_whatever_was_not_seen_is_short() -> None:
    """Lit from 10 to 15; from 9 to 11 nothing was read, so 6 h at most."""
    one = the(view_with(series=with_gap(9, 11, off=15.0)), "light-short")
    assert amount(one, "light missing") == pytest.approx(120, abs=4)
    assert "6.0 h at most" in one.action


def test_a_lamp_that_is_long_in_what_was_seen_is_long() -> None:
    one = the(view_with(series=with_gap(2, 4, off=20.0)), "light-long")
    assert amount(one, "light too long") == pytest.approx(120, abs=4)


def test_darkness_before_a_gap_ended_is_not_known() -> None:
    """Nothing from 9 to 17:50, the lamp went off at 17:45: it is not dark since 10."""
    now = datetime(2026, 3, 10, 18, 30, tzinfo=UTC)
    series = days_of(now, lux=lambda t: lamp(t, off=17.75))
    lux = series["illuminance"]
    start, end = (datetime(2026, 3, 10, *at, tzinfo=UTC).timestamp() for at in ((9,), (17, 50)))
    seen = (lux.time_us < start * 1e6) | (lux.time_us > end * 1e6)
    series["illuminance"] = Samples(lux.time_us[seen], lux.value[seen], lux.flags[seen])
    assert np.diff(lux.time_us[seen]).max() > 8 * 3.6e9
    assert found(view_with(a_tank(), now, series=series), "light-dead") == []
