"""CO2 against a ceiling."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.derive.co2.lit import co2_above, hour_back
from service.derive.models import Co2Series
from service.science.numeric.intervals import Interval
from tests.derive.pieces import (
    NOON,
    grid,
)

DAY = timedelta(days=1)


def test_spells_above_a_ceiling_by_hand() -> None:
    """A triangle to 40 mg/L over a ceiling of 30: above for half of its width."""
    time_us = grid(NOON - timedelta(hours=4), NOON, 1)
    hours = (time_us - time_us[0]) / 3.6e9
    value = 40 - 10 * np.abs(hours - 2)
    series = Co2Series(time_us, value, value * 0.8, value * 1.2)
    found = co2_above(series, 30.0, 28.5, NOON - DAY, NOON)
    assert found is not None
    assert found.minutes == pytest.approx(120)
    assert found.ongoing_min == 0
    assert found.peak_mg_l == pytest.approx(40.0, abs=0.3)
    assert found.peak_low_mg_l == pytest.approx(32.0, abs=0.3)
    assert found.first_at == NOON - timedelta(hours=3)
    cut = Co2Series(*(part[:121] for part in (time_us, value, value, value)))
    ongoing = co2_above(cut, 30.0, 28.5, NOON - DAY, NOON)
    assert ongoing is not None and ongoing.ongoing_min == pytest.approx(60)


@pytest.mark.parametrize(
    ("lit", "since"),
    [
        ([(0, 7200)], 3600),
        ([(0, 1800), (5000, 8000)], 1200),
        ([(0, 3600)], -1),  # no more than an hour: all of it
        ([(0, 1800)], -1),
    ],
)
def test_the_last_hour_of_light_reaches_over_a_break(
    lit: list[tuple[float, float]], since: float
) -> None:
    assert hour_back([Interval(*one) for one in lit]) == since
