"""The photoperiod found in all kinds of weather, and CO2 while lit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.light.co2 import lit_shares_by_co2
from service.science.light.days import days_of_light
from service.science.light.levels import thresholds_from_series
from service.science.numeric.intervals import Interval, overlap_s
from tests.science.typical_year import typical_year

HOUR, DAY = 3600.0, 86400.0
TIME = np.arange(0, 8 * DAY, 60.0)
EDGES = np.arange(9) * DAY
RNG = np.random.default_rng(7)


def lamp(on_h=10.0, off_h=18.0, ramp_h=0.0, lux=12_000.0, dark=30.0):
    """A timer's lamp over eight days, with ramps if wanted, and the light of the room."""
    hour = (TIME % DAY) / HOUR
    up = np.clip((hour - on_h) / max(ramp_h, 1e-9), 0, 1)
    down = np.clip((off_h - hour) / max(ramp_h, 1e-9), 0, 1)
    return dark + lux * np.minimum(up, down) + RNG.normal(0, 5, TIME.size)


def test_timer_is_found_to_the_minute():
    for day in days_of_light(TIME, lamp(), EDGES):
        assert day.on_s - day.start_s == pytest.approx(10 * HOUR, abs=60)
        assert day.off_s - day.start_s == pytest.approx(18 * HOUR, abs=60)
        assert day.hours == pytest.approx(8, abs=2 / 60)
        assert (day.breaks, day.flickers) == (0, 0)
        assert day.bright_lux == pytest.approx(12_030, rel=0.01)
        assert day.dose.total == pytest.approx(12_000 * 8 + 30 * 24, rel=0.01)


def test_ramps_are_measured():
    day = days_of_light(TIME, lamp(ramp_h=1.0, lux=8000), EDGES)[3]
    # On at 20 % and full at 90 % of a ramp of one hour: 0.7 h.
    assert day.rise_s == pytest.approx(0.7 * HOUR, abs=180)
    assert day.fall_s == pytest.approx(0.7 * HOUR, abs=180)
    assert day.hours == pytest.approx(8 - 2 * 0.2, abs=0.05)


def test_room_light_does_not_count():
    hour = (TIME % DAY) / HOUR
    evening = np.where((hour > 19) & (hour < 23), 250.0, 0.0)
    day = days_of_light(TIME, lamp(lux=3000) + evening, EDGES)[2]
    assert day.hours == pytest.approx(8, abs=0.05)


def test_a_lamp_in_steps_is_lit_on_its_low_steps_too():
    """1,500 lx from 8, 9,000 from 10 to 16, 1,500 to 18: ten hours, known by construction."""
    hour = (TIME % DAY) / HOUR
    lux = np.select([(hour >= 10) & (hour < 16), (hour >= 8) & (hour < 18)], [9000.0, 1500.0], 3.0)
    day = days_of_light(TIME, lux * RNG.normal(1, 0.02, TIME.size), EDGES)[4]
    assert day.on_s - day.start_s == pytest.approx(8 * HOUR, abs=60)
    assert day.off_s - day.start_s == pytest.approx(18 * HOUR, abs=60)
    assert day.hours == pytest.approx(10, abs=2 / 60)


def test_a_lit_room_beside_a_weak_lamp_does_not_count():
    """250 lx of the room from 7 to 23, 900 lx of the lamp from 10 to 18."""
    hour = (TIME % DAY) / HOUR
    lux = np.select([(hour >= 10) & (hour < 18), (hour >= 7) & (hour < 23)], [900.0, 250.0], 2.0)
    lux = np.abs(lux + RNG.normal(0, 5, TIME.size))
    for day in days_of_light(TIME, lux, EDGES)[1:]:
        assert day.hours == pytest.approx(8, abs=0.05)
    evening = TIME < 7 * DAY + 21 * HOUR
    so_far = days_of_light(TIME[evening], lux[evening], EDGES)[7]
    assert so_far.hours == pytest.approx(8, abs=0.05)


def test_midday_rest_is_one_break():
    lux = lamp()
    hour = (TIME % DAY) / HOUR
    lux[(hour >= 13) & (hour < 15)] = 30
    day = days_of_light(TIME, lux, EDGES)[1]
    assert (day.breaks, day.flickers) == (1, 0)
    assert day.hours == pytest.approx(6, abs=0.05)


def test_flicker_is_bridged_and_counted():
    lux = lamp()
    for minute in range(11 * 60, 17 * 60, 30):
        lux[3 * 1440 + minute : 3 * 1440 + minute + 2] = 20
    days = days_of_light(TIME, lux, EDGES)
    assert days[3].flickers == 12
    assert days[3].hours == pytest.approx(8, abs=0.05)


def test_light_of_any_spread_goes_off_at_no_more_than_it_comes_on_at():
    """Also a sensor that counts up, or one in a bright room: its dark is brighter than a lamp's."""
    rng = np.random.default_rng(1)
    for _ in range(300):
        spread = np.abs(rng.normal(size=500)) ** rng.uniform(0.3, 4) * 10 ** rng.uniform(0, 5)
        found = thresholds_from_series(spread + rng.choice([0, 50, 500, 5000]))
        assert found is None or found.off_lux <= found.on_lux


def test_levels_are_a_fifth_and_a_tenth_of_the_way_to_within_their_steps():
    """Dark and bright are taken to the nearest of 16 values an octave: 2.2 % at most."""
    rng = np.random.default_rng(3)
    for bright in rng.uniform(2_500.0, 9_500.0, 40):
        dark = float(rng.uniform(0.0, 100.0))
        found = thresholds_from_series(np.repeat([dark, bright], [1_000, 500]))
        assert found is not None
        assert found.on_lux == pytest.approx(dark + 0.2 * (bright - dark), rel=0.022)
        assert found.off_lux == pytest.approx(max(dark + 0.1 * (bright - dark), 270), rel=0.022)


def test_dead_lamp_from_the_start_has_no_thresholds():
    dark = np.abs(RNG.normal(30, 5, TIME.size))
    assert thresholds_from_series(dark) is None
    days = days_of_light(TIME, dark, EDGES)
    assert all(not day.lit for day in days)


def test_light_that_never_goes_out():
    days = days_of_light(TIME, np.full(TIME.size, 9000.0), EDGES)
    assert [day.on_s for day in days] == [None] * 8
    assert days[3].hours == pytest.approx(24)


def test_a_day_that_began_lit_has_no_start_to_be_shifted():
    """Left on overnight."""
    lux = np.where(TIME > 6 * DAY + 10 * HOUR, 12_030.0, lamp())
    days = days_of_light(TIME, lux, EDGES)
    assert days[7].on_s is None


def test_gap_is_not_darkness():
    lux = lamp()
    out = (TIME > 3 * DAY + 9 * HOUR) & (TIME < 3 * DAY + 20 * HOUR)
    day = days_of_light(TIME[~out], lux[~out], EDGES)[3]
    assert day.cover == pytest.approx(13 / 24, abs=0.01)


def test_hours_that_were_not_seen_may_have_been_lit():
    """Nothing from 9 to 11 in a day lit from 10 to 18: seven hours seen, nine at most."""
    lux = lamp()
    out = (TIME > 3 * DAY + 9 * HOUR) & (TIME < 3 * DAY + 11 * HOUR)
    day = days_of_light(TIME[~out], lux[~out], EDGES)[3]
    assert day.on_s is None
    assert day.hours == pytest.approx(7, abs=0.05)
    assert day.hours_low == pytest.approx(7, abs=0.1) and day.hours_high == pytest.approx(
        9, abs=0.1
    )
    seen = days_of_light(TIME, lux, EDGES)[3]
    assert (seen.hours_low, seen.hours_high) == pytest.approx((8, 8), abs=0.05)


def test_a_day_without_readings_has_no_photoperiod():
    lux = lamp()
    out = (TIME >= 3 * DAY - HOUR) & (TIME < 4 * DAY + HOUR)
    day = days_of_light(TIME[~out], lux[~out], EDGES)[3]
    assert np.isnan(day.hours) and day.cover == 0
    assert (day.hours_low, day.hours_high) == (0, 24)


@pytest.mark.parametrize("step_min", [10, 30, 60])
def test_a_slow_sensor_shows_the_day_as_far_as_its_steps_allow(step_min):
    """Readings that come up to 20 s early or late; the truth is 8 h at 12,000 lx (timer)."""
    time = np.arange(0, 8 * DAY, 60.0 * step_min)
    time = time + RNG.uniform(-20, 20, time.size)
    hour = (time % DAY) / HOUR
    lux = np.where((hour >= 10) & (hour < 18), 12_000.0, 3.0)
    for day in days_of_light(time, lux, EDGES)[1:-1]:
        assert day.cover == pytest.approx(1, abs=0.01)
        assert day.dose.total == pytest.approx(8 * 12_000, rel=0.13)
        assert day.hours_low <= 8 <= day.hours_high
        assert day.hours == pytest.approx(8, abs=2 * step_min / 60)


def test_a_sensor_that_reads_every_two_hours_shows_no_day():
    time = np.arange(0, 8 * DAY, 7200.0)
    hour = (time % DAY) / HOUR
    days = days_of_light(time, np.where((hour >= 10) & (hour < 18), 9000.0, 3.0), EDGES)
    assert all(day.cover == 0 and np.isnan(day.hours) for day in days)


def test_day_of_summer_time_change_has_its_own_edges():
    import pandas as pd  # here, so that not every process of the tests takes the time

    # Europe/Berlin, 29 March 2026: the local day has 23 hours.
    edges = (
        pd.date_range("2026-03-28", periods=4, tz="Europe/Berlin").as_unit("s").asi8.astype(float)
    )
    time = np.arange(edges[0], edges[-1] + 1, 60.0)
    local = pd.to_datetime(time, unit="s", utc=True).tz_convert("Europe/Berlin")
    lit = np.asarray((local.hour >= 10) & (local.hour < 18))
    days = days_of_light(time, np.where(lit, 9000.0, 10.0), edges)
    assert [day.hours for day in days] == pytest.approx([8] * 3, abs=0.05)
    assert days[1].end_s - days[1].start_s == 23 * HOUR
    assert days[1].on_s - days[1].start_s == pytest.approx(9 * HOUR, abs=60)


def test_cloudy_daylight_of_a_typical_year():
    # Typical year at Greensboro, 36.1° N: hourly illuminance, here in lx
    # (PyPI pvlib, data/723170TYA.CSV; the file's unit is 100 lx).
    lux = typical_year()["GH illum (lx)"].to_numpy(float) * 100
    time = np.arange(lux.size) * HOUR
    days = days_of_light(time, lux, np.arange(366) * DAY, max_gap_s=HOUR, flicker_s=2 * HOUR)
    assert sum(1 for day in days if day.lit) == 365
    hours = np.array([day.hours for day in days])
    # From sunrise to sunset: 14.6 h in June, 9.7 h in December (from memory); light is counted
    # from 2000 lx, so overcast days come out shorter, none longer.
    assert hours[150:190].max() == pytest.approx(14.6, abs=0.7)
    assert hours[340:].max() == pytest.approx(9.7, abs=0.7)
    assert sum(day.dose.total for day in days) == pytest.approx(lux.sum(), rel=1e-3)


def test_share_of_light_with_co2_by_hand():
    # CO2 from 10 to 40 mg/L over 6 h, target 20-30, lit from hour 1 to hour 5.
    (share,) = lit_shares_by_co2(
        [0, 6 * HOUR], [10, 40], [[Interval(HOUR, 5 * HOUR)]], 20, 30, max_gap_s=6 * HOUR
    )
    assert (share.below, share.within, share.above, share.unknown) == pytest.approx(
        (0.25, 0.5, 0.25, 0)
    )
    assert share.lit_s == 4 * HOUR


def test_share_of_light_without_co2_is_unknown():
    lit = [Interval(0, 4 * HOUR)]
    (share,) = lit_shares_by_co2([HOUR, 2 * HOUR], [25, 25], [lit], 20, 30, max_gap_s=HOUR)
    assert (share.within, share.unknown) == pytest.approx((0.25, 0.75))
    assert np.isnan(lit_shares_by_co2([0], [25], [[]], 20, 30)[0].within)
    assert lit_shares_by_co2([], [], [lit], 20, 30)[0].unknown == 1


@given(
    st.lists(st.floats(0, 60), min_size=2, max_size=20),
    st.lists(st.floats(0, 20), min_size=2, max_size=6, unique=True),
)
def test_share_of_light_vs_dense_count(co2, hours):
    hours = sorted(hours)
    lit = [Interval(a * HOUR, b * HOUR) for a, b in zip(hours[::2], hours[1::2], strict=False)]
    time = 1000.0 * np.arange(len(co2))
    (share,) = lit_shares_by_co2(time, co2, [lit], 20, 30)
    moment = np.concatenate([np.linspace(one.start_s, one.end_s, 4001) for one in lit])
    weight = np.concatenate([np.full(4001, one.length_s) for one in lit])
    there = np.interp(moment, time, co2, right=np.nan)
    total = weight.sum()
    assert share.below == pytest.approx(weight[there < 20].sum() / total, abs=2e-3)
    assert share.above == pytest.approx(weight[there > 30].sum() / total, abs=2e-3)
    assert share.within + share.below + share.above + share.unknown == pytest.approx(1)


def test_overlap_by_hand():
    one = [Interval(0, 10), Interval(20, 30)]
    assert overlap_s(one, [Interval(5, 25)]) == 10
    assert overlap_s(one, [Interval(10, 20)]) == 0
    assert overlap_s(one, []) == 0
