"""Days of light from the cache are those that are derived anew, whatever the samples became."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np
import pytest

from service.derive.co2.target import Target
from service.derive.light import day_cache as module
from service.derive.light.day_cache import LightDayCache
from service.derive.light.days import light_days_of
from service.derive.light.source import LightSource, light_source
from service.derive.local_time import local_day
from service.derive.models.co2 import Co2Series
from service.derive.models.light import LightDay
from service.registry.models.tank import Tank
from service.store.model import Samples
from service.times import to_us
from tests.derive.pieces import NOON, a_tank, grid, hour_of_day, lamp, samples

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NO_CO2 = Co2Series(*(np.empty(0, kind) for kind in (np.int64, float, float, float)))
TARGET = Target(20.0, 30.0)
FIRST = local_day(a_tank(), NOON - timedelta(days=7))


def cached(
    cache: LightDayCache,
    source: LightSource,
    now: datetime = NOON,
    tank: Tank | None = None,
    temperature: Samples | None = None,
    co2: Co2Series = NO_CO2,
    first: date = FIRST,
) -> tuple[LightDay, ...]:
    """The days from the cache, which are those derived anew."""
    given = tank or a_tank(), source, first, now
    rest = {"co2": co2, "target": TARGET, "temperature": temperature or Samples.empty()}
    found = cache.days(*given, **rest)  # type: ignore[arg-type]
    assert found == light_days_of(*given, **rest)  # type: ignore[arg-type]
    return found


def source_of(light: Samples, tank: Tank | None = None) -> LightSource:
    return light_source(tank or a_tank(), "illuminance", light)


def up_to(light: Samples, now: datetime) -> Samples:
    until = int(light.time_us.searchsorted(now.timestamp() * 1e6, side="right"))
    return Samples(light.time_us[:until], light.value[:until], light.flags[:until])


@pytest.mark.parametrize("lux", [1024.0, 8192.0, 1000.0])
def test_light_that_is_written_again_at_another_time_counts(lux: float) -> None:
    """The same values, some minutes later: a clock that was off. Round numbers have few digits."""
    cache = LightDayCache()
    time_us = grid(NOON - timedelta(days=8), NOON, 1.0) + 30_000_000
    for minutes in (0, 16, 32, 60):
        hour = hour_of_day(time_us - minutes * 60_000_000)
        light = samples(time_us, np.where((hour >= 9) & (hour < 17), lux, 0.0))
        day = cached(cache, source_of(light))[2]
        assert day.on_at is not None and day.on_at.hour * 60 + day.on_at.minute in (
            9 * 60 + minutes - 1,
            9 * 60 + minutes,
        )


def test_a_clock_that_was_put_back_ends_the_day_earlier() -> None:
    cache = LightDayCache()
    time_us = grid(NOON - timedelta(days=8), NOON - 3 * HOUR, 1.0)
    silent = source_of(samples(time_us, lamp(time_us)))  # the sensor is silent since
    assert cached(cache, silent, NOON + 20 * HOUR)[-2].complete
    assert not cached(cache, silent, NOON)[-1].complete


def test_dim_light_is_judged_by_what_came_long_before_the_first_day() -> None:
    """Between the levels it stays lit until it is bright again, however long ago that was."""
    tank = a_tank(thresholds={"lit_on_lux": 500.0, "lit_off_lux": 250.0})
    start = NOON - timedelta(days=7) - 12 * HOUR  # the first midnight
    time_us = grid(start - 12 * HOUR, NOON, 1.0)
    before = time_us < (start - 6 * HOUR).timestamp() * 1e6
    dim = time_us < (start + 10 * HOUR).timestamp() * 1e6
    cache = LightDayCache()
    for lux, hours in ((900.0, 18.0), (100.0, 8.0), (900.0, 18.0)):
        light = np.where(before, lux, np.where(dim, 400.0, lamp(time_us)))
        days = cached(cache, source_of(samples(time_us, light), tank), tank=tank)
        assert days[0].photoperiod_h == pytest.approx(hours, abs=0.1)


def test_a_first_thermometer_counts_for_the_days_before() -> None:
    """Without any temperature nothing is known of the warmth; with one, that none was seen."""
    cache = LightDayCache()
    time_us = grid(NOON - timedelta(days=8), NOON, 1.0)
    source = source_of(samples(time_us, lamp(time_us)))
    new = samples(time_us[-3:], 24.0)
    for temperature in (None, new, None):
        cached(cache, source, temperature=temperature)


@pytest.fixture
def derived(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many days each question derived."""
    counts: list[int] = []
    whole: Callable[..., tuple[LightDay, ...]] = module.light_days_of

    def counting(*given: object, **rest: object) -> tuple[LightDay, ...]:
        found = whole(*given, **rest)
        counts.append(len(found))
        return found

    monkeypatch.setattr(module, "light_days_of", counting)
    return counts


def test_new_readings_of_a_noisy_sensor_derive_today_alone(derived: list[int]) -> None:
    """The brightest light moves with each of them; of what was seen it changes nothing."""
    rng = np.random.default_rng(5)
    time_us = grid(NOON - timedelta(days=8), NOON + 2 * HOUR, 1.0)
    value = lamp(time_us, lux=20_000.0) * rng.normal(1.0, 0.03, time_us.size)
    value = np.where(value < 100.0, 0.0, value)
    hour = hour_of_day(time_us)
    seen = (time_us < time_us[5000]) | (time_us > time_us[6500]) | (hour < 11) | (hour > 13)
    light = samples(time_us[seen], value[seen])  # some hours of a day were not seen
    cache = LightDayCache()
    for minutes in (0, 1, 2, 7):
        now = NOON + timedelta(minutes=minutes)
        days = cached(cache, source_of(up_to(light, now)), now)
    assert derived == [8, 1, 1, 1]
    assert any(one.covered_share < 0.95 for one in days[:-1])


def test_noise_of_a_dim_lamp_does_not_move_its_levels(derived: list[int]) -> None:
    """Below some 10,000 lx they hang on how bright it is."""
    rng = np.random.default_rng(5)
    time_us = grid(NOON - timedelta(days=8), NOON + 5 * HOUR)
    light = samples(time_us, lamp(time_us, lux=6_000.0) * rng.normal(1.0, 0.01, time_us.size))
    cache = LightDayCache()
    for minutes in range(0, 300, 5):
        now = NOON + timedelta(minutes=minutes)
        cached(cache, source_of(up_to(light, now)), now)
    assert derived == [8] + 59 * [1]


def test_other_levels_derive_all_days(derived: list[int]) -> None:
    cache = LightDayCache()
    time_us = grid(NOON - timedelta(days=8), NOON, 1.0)
    source = source_of(samples(time_us, lamp(time_us)))
    cached(cache, source)
    cached(cache, replace(source, levels=source.levels._replace(on_lux=11_000.0)))
    assert derived == [8, 8]


def seen_at(one: Samples, now: datetime) -> Samples:
    """What a view sees of a series: eight days up to now."""
    here = slice(*one.time_us.searchsorted((to_us(now - 8 * DAY), to_us(now) + 1)))
    return Samples(one.time_us[here], one.value[here], one.flags[here])


def test_in_the_evening_what_falls_out_of_the_days_seen_changes_nothing(derived: list[int]) -> None:
    """The eight days begin within the three hours before the first midnight then."""
    time_us = grid(NOON - 9 * DAY, NOON + DAY)
    light, warmth = samples(time_us, lamp(time_us)), samples(time_us, 24.0)
    cache = LightDayCache()
    for minutes in (0, 5, 10, 60):
        now = NOON + 10 * HOUR + timedelta(minutes=minutes)
        first = local_day(a_tank(), now - 7 * DAY)
        source = source_of(seen_at(light, now))
        cached(cache, source, now, temperature=seen_at(warmth, now), first=first)
    assert derived == [8, 1, 1, 1]


@pytest.mark.parametrize("seed", [1, 2])
def test_days_are_those_derived_anew_at_any_hour_whatever_was_rewritten(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tank, cache, now = a_tank(), LightDayCache(), NOON
    time_us = grid(NOON - 9 * DAY, NOON + 6 * DAY)
    lux = lamp(time_us, on=18.0 + seed, off=23.5) * rng.normal(1.0, 0.01, time_us.size)
    of = {"light": lux, "warmth": 24.0 + rng.normal(0, 1, time_us.size), "co2": lux / 500.0}
    series = {name: samples(time_us, value) for name, value in of.items()}
    for _ in range(40):
        light, warmth, co2 = (seen_at(series[name], now) for name in ("light", "warmth", "co2"))
        cached(
            cache,
            source_of(light, tank),
            now,
            tank,
            warmth,
            Co2Series(co2.time_us, co2.value, 0.8 * co2.value, 1.2 * co2.value),
            local_day(tank, now - 7 * DAY),
        )
        if rng.random() < 0.5:
            name = str(rng.choice(list(series)))
            start_us = to_us(now - float(rng.choice([0.2, 8.2])) * rng.random() * DAY)
            one = series[name]
            here = (one.time_us >= start_us) & (one.time_us < start_us + 2 * 3_600_000_000)
            if rng.random() < 0.5:
                value = np.where(here, one.value * float(rng.choice([0.0, 1.1])), one.value)
                series[name] = Samples(one.time_us, value, one.flags)
            else:
                series[name] = Samples(one.time_us[~here], one.value[~here], one.flags[~here])
        now += timedelta(minutes=float(rng.choice([0.0, 5.0, 5.0, 20.0, 200.0, 500.0])))


def test_the_last_reading_before_the_first_day_counts() -> None:
    """Warmth runs in a line across midnight, while the lamp is lit."""
    tank, cache = a_tank(), LightDayCache()
    time_us = grid(NOON - 8 * DAY, NOON)
    hour = hour_of_day(time_us)
    source = source_of(samples(time_us, np.where((hour >= 20) | (hour < 4), 9_000.0, 5.0)))
    every = time_us + 120_000_000  # none at midnight itself
    last = int(every.searchsorted(to_us(NOON - 7 * DAY - 12 * HOUR))) - 1
    shares = set()
    for celsius in (24.0, 30.0):
        value = np.where(np.arange(every.size) == last, celsius, 24.0)
        found = cached(cache, source, tank=tank, temperature=samples(every, value))
        shares.add(found[0].degree_hours_lit_k_h)
    assert len(shares) == 2


def test_co2_that_is_not_known_around_midnight_hides_none_that_is() -> None:
    """A pH that is impossible for half an hour, while the lamp is lit."""
    cache, day = LightDayCache(), NOON - 12 * HOUR
    time_us = grid(NOON - 8 * DAY, NOON + DAY)
    hour = hour_of_day(time_us)
    lit = np.where((hour >= 20) | (hour < 4), 9_000.0, 5.0)
    unknown = np.zeros(time_us.size, np.bool_)
    for one in (day - 7 * DAY, day):
        unknown |= (time_us > to_us(one - HOUR / 3)) & (time_us < to_us(one + HOUR / 6))
    value = np.where(unknown, np.nan, 25.0)
    co2 = Co2Series(time_us, value, 0.8 * value, 1.2 * value)
    for hours in (0, 6):  # the day after is derived with those before, and then alone
        now = NOON + hours * HOUR
        days = cached(cache, source_of(up_to(samples(time_us, lit), now)), now, co2=co2)
        assert [one.co2_known_share for one in days] == [1.0] * len(days)


def test_how_often_a_lux_sensor_reads_counts_beside_a_ppfd_sensor() -> None:
    """Steps of 35 min are bridged where they are usual, of past days too."""
    tank, cache = a_tank(), LightDayCache()
    time_us, until = grid(NOON - 8 * DAY, NOON), to_us(NOON - 2 * DAY)
    ppfd = samples(time_us, lamp(time_us, lux=180.0))
    slow, quick = grid(NOON - 8 * DAY, NOON, 35.0), grid(NOON - 8 * DAY, NOON, 1.0)
    often = np.concatenate((slow[slow < until], quick[quick >= until]))
    hours = []
    for at in (slow, often):
        lux = samples(at, lamp(at))
        days = cached(cache, light_source(tank, "ppfd", ppfd, lux), tank=tank)
        hours.append(days[2].lux_hours)
    assert hours == [pytest.approx(96_000.0, rel=0.1), 0.0]
