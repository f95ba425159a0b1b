"""CO2 against its target while lit and against a ceiling always."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import permutations

import numpy as np
import pytest

from service.derive.co2.lit import co2_above, co2_while_lit, hour_back, recent_co2, smoothed
from service.derive.co2.target import Target
from service.derive.models.co2 import Co2Series
from service.science.numeric.intervals import Interval
from tests.derive.pieces import (
    NOON,
    grid,
)

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


def test_a_running_median_is_that_of_numpy() -> None:
    orders = np.array(list(permutations((1.0, 2.0, 2.0, 3.0, 5.0)))).ravel()
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(orders, 2, mode="edge"), 5)
    assert smoothed(orders).tolist() == np.median(windows, axis=1).tolist()
    assert smoothed(orders[:4]).tolist() == orders[:4].tolist()


def test_spells_above_a_ceiling_by_hand() -> None:
    """A triangle to 40 mg/L over a ceiling of 30: above for half of its width."""
    time_us = grid(NOON - timedelta(hours=4), NOON, 1)
    hours = (time_us - time_us[0]) / 3.6e9
    value = 40 - 10 * np.abs(hours - 2)
    series = Co2Series(time_us, value, value * 0.8, value * 1.2)
    found = co2_above(recent_co2(series, NOON - DAY, NOON), 30.0, 28.5)
    assert found is not None
    assert found.minutes == pytest.approx(120)
    assert found.ongoing_min == 0
    assert found.peak_mg_l == pytest.approx(40.0, abs=0.3)
    assert found.peak_low_mg_l == pytest.approx(32.0, abs=0.3)
    assert found.first_at == NOON - timedelta(hours=3)
    cut = Co2Series(*(part[:121] for part in (time_us, value, value, value)))
    ongoing = co2_above(recent_co2(cut, NOON - DAY, NOON), 30.0, 28.5)
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


TARGET = Target(20.0, 30.0)


def triangle(sure_to: float = 1.25) -> Co2Series:
    """From 0 to 40 mg/L in four hours and back, eight hours up to noon; known to a factor."""
    time_us = grid(NOON - timedelta(hours=8), NOON, 5)
    value = 40 - 10 * np.abs((time_us - time_us[0]) / 3.6e9 - 4)
    return Co2Series(time_us, value, value / sure_to, value * sure_to)


def parts(series: Co2Series) -> tuple[np.ndarray, ...]:
    return series.time_us, series.value, series.low, series.high


def constant(mg_l: float, hours: float) -> Co2Series:
    time_us = grid(NOON - timedelta(hours=hours), NOON, 5)
    value = np.full(time_us.shape, mg_l)
    return Co2Series(time_us, value, value, value)


def hours_ago(*pairs: tuple[float, float]) -> list[tuple[datetime, datetime]]:
    return [(NOON - timedelta(hours=on), NOON - timedelta(hours=off)) for on, off in pairs]


def test_lit_time_below_within_and_above_the_target_by_hand() -> None:
    """Below 20 for the first and last two hours of light, above 30 for the two in the middle."""
    found = co2_while_lit(triangle(), hours_ago((8, 0)), TARGET, NOON - DAY, NOON)
    assert found is not None
    assert (found.lit_min, found.known_min) == (480, pytest.approx(480))
    assert found.below_min == pytest.approx(240, abs=0.1)
    assert found.within_min == pytest.approx(120, abs=0.1)
    assert found.above_min == pytest.approx(120, abs=0.1)
    assert (found.early_below_min, found.tail_below_min) == (120, 120)
    # samples at 0, 5 to 115 min lie 20 - t / 6 below: 20 - 57.5 / 6 = 10.42 in the mean
    assert found.shortfall_mg_l == pytest.approx(20 - 57.5 / 6)
    # at most 25 % more than the value is below 20 while the value is below 16: 96 min, twice
    assert found.surely_below_share == pytest.approx(2 * 20 / 97)
    assert found.last_hour_below_share == 1
    assert (found.lowest_mg_l, found.highest_mg_l) == (0, 40)
    assert (found.start, found.end) == (NOON - 8 * HOUR, NOON)


def test_only_what_lies_in_the_window_counts_of_a_photoperiod() -> None:
    """The window begins an hour after lights-on, and the light goes on after its end."""
    lit = hours_ago((30, 22), (8, -2))
    found = co2_while_lit(triangle(), lit, TARGET, NOON - 7 * HOUR, NOON)
    assert found is not None
    assert found.lit_min == 420
    assert (found.early_below_min, found.tail_below_min) == (60, 120)


def test_light_that_has_just_begun_is_all_beginning_and_other_light_none() -> None:
    def edges(mg_l: float, lit: list[tuple[datetime, datetime]]) -> tuple[float, float]:
        found = co2_while_lit(constant(mg_l, 8), lit, TARGET, NOON - DAY, NOON)
        assert found is not None
        return found.early_below_min, found.tail_below_min

    assert edges(5.0, hours_ago((1, 0))) == (60, 0)
    assert edges(5.0, hours_ago((1, -5))) == (60, 0)
    # never reached in more than three hours of light, or in light that is over
    assert edges(5.0, hours_ago((4, 0))) == (0, 0)
    assert edges(5.0, hours_ago((3, 2))) == (0, 0)
    # each photoperiod has its own beginning
    assert edges(5.0, hours_ago((6, 4), (1, 0))) == (60, 0)
    assert edges(25.0, hours_ago((4, 0))) == (0, 0)


def test_where_the_beginning_is_not_known_nothing_is_said_of_it() -> None:
    late = Co2Series(*(part[12:] for part in parts(triangle())))
    found = co2_while_lit(late, hours_ago((8, 0)), TARGET, NOON - DAY, NOON)
    assert found is not None
    assert found.known_min == pytest.approx(420)
    assert (found.early_below_min, found.tail_below_min) == (0, 120)


def test_nothing_lit_or_nothing_known_gives_nothing() -> None:
    known, day = triangle(), hours_ago((8, 0))
    nothing = Co2Series(*(part[:0] for part in parts(known)))
    assert co2_while_lit(known, [], TARGET, NOON - DAY, NOON) is None
    assert co2_while_lit(known, hours_ago((40, 30)), TARGET, NOON - DAY, NOON) is None
    assert co2_while_lit(nothing, day, TARGET, NOON - DAY, NOON) is None
    assert co2_while_lit(known, hours_ago((20, 10)), TARGET, NOON - DAY, NOON) is None
    for target in (Target(30.0, 30.0), Target(30.0, 20.0)):
        assert co2_while_lit(known, day, target, NOON - DAY, NOON) is None


def test_a_ceiling_needs_two_values_between_the_moments() -> None:
    known = constant(35.0, 2)
    for start, end in ((NOON, NOON + DAY), (NOON - DAY, NOON - 2 * HOUR)):
        assert co2_above(recent_co2(known, start, end), 30.0, 28.5) is None
    found = co2_above(recent_co2(known, NOON - HOUR, NOON), 30.0, 28.5)
    assert found is not None
    assert (found.minutes, found.ongoing_min) == (60, 60)
    assert (found.first_at, found.last_at) == (NOON - HOUR, NOON)
