"""CO2 of each local day: at lights-on, until target, at night."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from service.derive.co2 import daily as module
from service.derive.co2.daily import Co2DayCache, LightSpan, co2_days_of
from service.derive.models.co2 import Co2Series
from service.derive.models.tank_view import TankView
from service.derive.tank_view import Derived, tank_view
from service.registry.models.plans import GasPlan
from service.store.model import Samples
from service.times import to_us
from tests.derive.pieces import (
    NOON,
    a_tank,
    days_of,
    gassed,
    grid,
    inputs_with,
)

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
EVENING = NOON.replace(hour=22)


def view_at(now: datetime, log: tuple = (), tank=None, **of_days: object) -> TankView:
    series = days_of(now, **of_days)  # type: ignore[arg-type]
    return tank_view(inputs_with(tank or a_tank(), now, series, log))


def test_a_day_by_hand() -> None:
    """Gas from 8 to 17, lamp from 10 to 18: 3 + 23 (1 - exp(-1.5 t)) and its fall by 0.5/h."""
    day = view_at(EVENING).co2_days[-1]
    assert day.at_on_mg_l == pytest.approx(3 + 23 * (1 - np.exp(-3)), abs=0.3)
    reached_h = np.log(23 / 6) / 1.5  # 20 mg/L after gas-on
    assert day.reached_min == pytest.approx(-(2 - reached_h) * 60, abs=5)
    assert day.peak_mg_l == pytest.approx(26.0, abs=0.1)
    assert abs(day.night_from - datetime(2026, 3, 10, 18, tzinfo=UTC)) < timedelta(minutes=1)
    yesterday = view_at(EVENING).co2_days[-2]
    assert yesterday.dusk_mg_l == pytest.approx(3 + 23 * np.exp(-0.5), abs=0.5)
    assert yesterday.night_low_mg_l == pytest.approx(3.0, abs=0.1)


def test_an_unknown_morning_tells_nothing_of_when_target_was_reached() -> None:
    series = days_of(EVENING)
    hour = series["ph"].time_us / 3.6e9 % 24
    kept = (hour < 6) | (hour > 12)
    ph = Samples(
        *(part[kept] for part in (series["ph"].time_us, series["ph"].value, series["ph"].flags))
    )
    view = tank_view(inputs_with(a_tank(), EVENING, {**series, "ph": ph}))
    assert view.co2_days[-1].reached_min is None
    assert view.co2_lit is not None and view.co2_lit.early_below_min == 0


def test_a_night_ends_with_the_gas_where_that_is_later_than_the_lamp() -> None:
    tank = a_tank(gas=GasPlan(start=NOON.replace(hour=8).time(), end=NOON.replace(hour=20).time()))
    day = view_at(EVENING, tank=tank, co2=lambda t: gassed(t, off=20.0)).co2_days[-1]
    assert day.night_from == datetime(2026, 3, 10, 20, tzinfo=UTC)


@pytest.mark.parametrize("seed", [1, 2])
def test_days_from_the_cache_are_those_derived_anew_whatever_changed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cache, now, low = Co2DayCache(), NOON, 20.0
    time_us = grid(NOON - 9 * DAY, NOON + 5 * DAY)
    value = gassed(time_us) * rng.normal(1.0, 0.02, time_us.size)
    hours = {"on": 10.0, "off": 18.0, "night": 18.0}
    for _ in range(40):
        here = slice(*time_us.searchsorted((to_us(now - 8 * DAY), to_us(now))))
        seen = Co2Series(time_us[here], value[here], value[here], value[here])
        midnights = [NOON - NOON.hour * HOUR + (n - 7) * DAY for n in range((now - NOON).days + 8)]
        spans = [
            LightSpan(one.date(), *(one + hour * HOUR for hour in hours.values()))
            for one in midnights
        ]
        assert cache.days(seen, spans, low) == co2_days_of(seen, spans, low)
        start = int(time_us.searchsorted(to_us(now - float(rng.uniform(0, 8)) * DAY)))
        part = slice(start, start + int(rng.integers(1, 60)))
        match rng.integers(7):
            case 0:
                value[part] = np.nan  # a gap
            case 1:
                value[part] *= 1.1
            case 2:
                moved = np.concatenate((time_us[:start], time_us[start:] - 120_000_000))
                time_us = np.maximum.accumulate(moved)
            case 3:
                low = float(rng.choice([19.0, 20.0, 26.0]))
            case 4:
                hours = {"on": float(rng.uniform(9, 11)), "off": 18.0, "night": 20.0}
            case 5:  # a slower sensor: what counts as a gap may change for all days
                here = np.ones(time_us.size, np.bool_)
                here[start:] = np.arange(time_us.size - start) % 7 == 0
                time_us, value = time_us[here], value[here]
        now += timedelta(minutes=float(rng.choice([0.0, 5.0, 60.0, 600.0])))


def test_what_a_gap_is_hangs_on_the_readings_of_all_days() -> None:
    """Half an hour without CO2 is no gap to a sensor that reads as seldom on most days."""
    time_us = grid(NOON - 16 * DAY, NOON)
    around = [to_us(NOON - 4 * DAY + hours * HOUR) for hours in (-18, -1, -0.4, 22)]
    middle = (time_us > around[0]) & (time_us < around[3])
    missing = (time_us > around[1]) & (time_us < around[2])
    cache, known = Co2DayCache(), []
    spans = [
        LightSpan(one.date(), one - 2 * HOUR, one + 6 * HOUR, one + 6 * HOUR)
        for one in (NOON - n * DAY for n in (5, 4, 3))
    ]
    for every in (1, 6):
        here = (middle | (np.arange(time_us.size) % every == 0)) & ~missing
        value = gassed(time_us[here])
        seen = Co2Series(time_us[here], value, value, value)
        days = cache.days(seen, spans, 20.0)
        assert days == co2_days_of(seen, spans, 20.0)
        known.append(days[1].known_share)
    assert known[0] < known[1]


def test_a_new_value_derives_its_own_day_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    derived: list[date] = []
    whole = module._day

    def counting(co2: object, span: LightSpan, *rest: object) -> object:
        derived.append(span.day)
        return whole(co2, span, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "_day", counting)
    before = Derived()
    for minutes in (0, 5):
        now = NOON + timedelta(minutes=minutes)
        days = tank_view(inputs_with(a_tank(), now, days_of(now)), before=before).co2_days
    # the first of the days seen loses what was before its light
    assert derived[len(days) :] == [days[0].day, days[-1].day]
