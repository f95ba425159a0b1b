"""Quality checks: every flag arises, and none arises on a healthy sensor."""

from __future__ import annotations

import math
import random

import pytest

from ingest.process.quality.limits import LIMITS
from ingest.process.series import SeriesMemory
from service.quantities import QUANTITIES
from service.store import Flag
from tests.ingest.process.feeding import S, Series


@pytest.fixture
def memory():
    return SeriesMemory()


def test_every_quantity_has_limits():
    assert set(LIMITS) == set(QUANTITIES)


def test_implausible(memory):
    # -127 and 85 are what a common digital thermometer says when it is not read properly
    assert Series(memory).feed(-127.0, 85.0, 24.0) == [Flag.IMPLAUSIBLE, Flag.IMPLAUSIBLE, 0]


def test_spike_stays_flagged_and_its_neighbours_do_not(memory):
    flags = Series(memory).feed(*[24.0] * 10, 31.0, *[24.1] * 5)
    assert [n for n, flag in enumerate(flags) if flag] == [10]
    assert flags[10] == Flag.SPIKE


def test_step_of_the_water_is_doubted_until_it_is_confirmed(memory):
    series = Series(memory)
    assert series.feed(*[24.0] * 10, 21.0, 21.1)[-2:] == [Flag.SPIKE, Flag.SPIKE]
    assert set(series.feed(21.0, 21.0)) == {Flag.NONE}


def test_after_a_silence_nothing_is_a_spike(memory):
    series = Series(memory)
    series.feed(*[24.0] * 10)
    series.time_us += 3600 * S
    assert series.feed(20.0)[-1] == Flag.NONE


def test_light_is_switched_and_that_is_no_spike(memory):
    series = Series(memory, "illuminance")
    assert set(series.feed(*[0.0] * 10, 12_000.0, 12_100.0, *[0.0] * 3)) == {Flag.NONE}


def test_stuck_thermometer(memory):
    # 24.06 fits no coarse display; 24.0 may be one of half degrees
    flags = Series(memory, every_s=600).feed(*[24.06] * (6 * 25))
    assert flags[6 * 24 - 1] == Flag.NONE
    assert set(flags[6 * 24 :]) == {Flag.STUCK}


def test_dark_is_not_stuck_but_a_constant_light_is(memory):
    dark = Series(memory, "illuminance", "a", every_s=600)
    assert set(dark.feed(*[0.0] * (6 * 48))) == {Flag.NONE}
    lit = Series(memory, "illuminance", "b", every_s=600)
    assert lit.feed(*[5000.0] * (6 * 27))[-1] == Flag.STUCK


def test_two_sensors_that_differ_both_disagree(memory):
    first, second = Series(memory, sensor="a"), Series(memory, sensor="b")
    assert first.feed(24.0) == [Flag.NONE]
    assert second.feed(25.5) == [Flag.DISAGREES]
    assert first.feed(24.0)[-1] == Flag.DISAGREES


def test_of_three_sensors_the_odd_one_out_disagrees(memory):
    sensors = [Series(memory, sensor=name) for name in "abc"]
    for values in ((24.0, 24.1, 27.0), (24.0, 24.1, 27.0)):
        for series, value in zip(sensors, values, strict=True):
            series.feed(value)
    assert [series.feed(v)[-1] for series, v in zip(sensors, (24.0, 24.1, 27.0), strict=True)] == [
        Flag.NONE,
        Flag.NONE,
        Flag.DISAGREES,
    ]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("quantity", "middle", "swing", "noise"),
    # a day's course and noise of a home-made sensor: common practice, no source
    [
        ("temperature", 24.5, 1.0, 0.06),
        ("ph", 6.9, 0.5, 0.02),
        ("conductivity", 250.0, 10.0, 3.0),
        ("dissolved_oxygen", 7.5, 1.0, 0.08),
        ("illuminance", 6000.0, 6000.0, 100.0),
    ],
)
def test_a_healthy_sensor_is_never_doubted(memory, quantity, middle, swing, noise, seed):
    chance = random.Random(seed)
    values = [
        max(0.0, middle + swing * math.sin(n / 2880 * math.tau) + chance.gauss(0, noise))
        for n in range(2 * 2880)
    ]
    assert set(Series(memory, quantity).feed(*values)) == {Flag.NONE}


def test_gas_switched_on_is_no_spike_at_any_sampling(memory):
    # pH falls by 1.0 with a time constant of 40 min when CO2 is switched on
    for every_s in (30, 60, 300, 600):
        series = Series(SeriesMemory(), "ph", every_s=every_s)
        fall = [7.2 - (1 - math.exp(-n * every_s / 2400)) for n in range(7200 // every_s)]
        flags = series.feed(*[7.2] * 20, *fall)
        assert Flag.SPIKE not in flags, every_s


def test_short_excursion_is_flagged_once_it_is_over(memory):
    series = Series(memory, "ph", every_s=900)
    before = series.feed(*[8.30, 8.31, 8.30, 8.31] * 4)
    # too little to be known on arrival: CO2 switched on moves a tank as far in a quarter of an hour
    assert series.feed(8.10, 8.12)[-2:] == [Flag.NONE, Flag.NONE]
    assert series.feed(8.31, 8.30)[-4:] == [Flag.SPIKE, Flag.SPIKE, Flag.NONE, Flag.NONE]
    assert set(before) == {Flag.NONE}


def test_flag_is_taken_back_from_a_step_and_set_again_where_it_returns(memory):
    series = Series(memory)
    series.feed(*[24.0, 24.06] * 6)
    assert series.feed(20.0, 20.06)[-2:] == [Flag.SPIKE, Flag.SPIKE]
    assert set(series.feed(20.0, 20.0, 20.06)[-5:]) == {Flag.NONE}
    # the probe is back in the water
    flags = series.feed(24.0, 24.06, 24.0)
    assert [n for n, flag in enumerate(flags) if flag] == [12, 13, 14, 15, 16]


def test_restless_step_of_the_water_is_confirmed_with_the_readings_on_the_way(memory):
    # salt that was dosed and mixes; three readings that agree within the usual step never come
    series = Series(memory, "conductivity", every_s=900)
    flags = series.feed(*[250.0, 251.0] * 8, 600.0, 1000.0, 940.0, 1010.0, 930.0, 880.0, 820.0)
    assert set(flags) == {Flag.NONE}


def test_water_that_is_warmed_up_again_is_no_excursion(memory):
    # a cold water change, and a heater of 3 °C per hour
    series = Series(memory, every_s=900)
    flags = series.feed(*[24.5, 24.56] * 8, 22.5, 23.25, 24.0, *[24.5, 24.56] * 4)
    assert set(flags) == {Flag.NONE}


def test_large_noise_is_its_own_measure(memory):
    chance = random.Random(1)
    series = Series(memory, "dissolved_oxygen", every_s=60)
    values = [8.0 + chance.gauss(0, 0.2) for _ in range(5000)]
    assert set(series.feed(*values)) == {Flag.NONE}


@pytest.mark.parametrize(
    ("quantity", "value", "step"),
    # displays of common cheap sensors: common practice, no source
    [("temperature", 24.0, 0.5), ("temperature", 24.0, 1.0), ("ph", 7.0, 0.1)],
)
def test_sensor_of_coarse_steps_is_not_stuck(memory, quantity, value, step):
    series = Series(memory, quantity, every_s=600)
    assert set(series.feed(*[value] * (6 * 24 * 5))) == {Flag.NONE}
    assert set(series.feed(*[value + step, value] * 5, *[value] * (6 * 24 * 5))) == {Flag.NONE}


def test_sensor_that_has_shown_fine_steps_is_stuck_on_a_round_value_too(memory):
    series = Series(memory, every_s=600)
    flags = series.feed(24.06, 24.12, 24.19, 24.12, 24.06, *[24.0] * (6 * 25))
    assert flags[-1] == Flag.STUCK


def test_freezing_water_is_no_fault(memory):
    # pure water freezes at 0 °C; a sensor of +-0.5 °C shows that as what it is off by
    series = Series(memory, every_s=600)
    assert set(series.feed(*[-0.06] * (6 * 24 * 3))) == {Flag.NONE}
