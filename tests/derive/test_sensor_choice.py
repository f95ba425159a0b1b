"""Why a quantity has no present value, in words."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.derive.sensors.choice import why_no_reading
from service.store.model import Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.derive.pieces import NOON


@pytest.mark.parametrize(
    ("minutes", "flags", "said"),
    [
        (59.5, Flag.STUCK, "pH sensor s reports, but its readings are stuck"),
        (60.0, Flag.STUCK, "pH sensor s has given no usable reading"),
        (59.5, Flag.NONE, "pH sensor s has given no usable reading"),
    ],
)
def test_a_sensor_reports_while_its_last_reading_is_less_than_an_hour_old(
    minutes: float, flags: Flag, said: str
) -> None:
    at = to_us(NOON - timedelta(minutes=minutes))
    info = SeriesInfo(SeriesKey("reed", "ph", "s"), Reading("reed", "ph", "s", at, 6.6, flags))
    assert why_no_reading("ph", info, None, NOON) == said


def test_what_was_never_there_and_what_has_stopped() -> None:
    assert why_no_reading("ph", None, None, NOON) == "no pH sensor has ever reported"
    last = Reading("reed", "ph", "s", to_us(NOON - timedelta(hours=3)), 6.6)
    info = SeriesInfo(SeriesKey("reed", "ph", "s"), last)
    assert why_no_reading("ph", info, last, NOON) == (
        "pH sensor s gave its last usable reading 3 h ago"
    )
