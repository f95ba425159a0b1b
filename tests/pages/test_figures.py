"""The three figures of a tank: value, state, trend and the last day as a line."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest

from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.pages.drawings.curves import Canvas, stretches, thinned
from service.pages.local_time import LocalTime
from service.pages.tank.figures import DAY_S, DayLine, Figure, figures_of, next_switch
from service.registry.models.plans import LightPlan
from service.registry.models.tank import Tank
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.pages.served import ORIGIN, Served
from tests.registries import sqlite_registry


@pytest.fixture
def written(tmp_path: Path) -> Iterator[Callable[[Iterable[tuple[float, float]]], list[Figure]]]:
    """The figures of a tank with temperatures only: minutes ago, and °C."""
    registry = sqlite_registry(tmp_path / "registry.db")
    store = SqliteStore(tmp_path / "readings.db")
    tank = Tank("reedbed", "Reedbed")
    registry.put_tank(tank)

    def make(readings: Iterable[tuple[float, float]]) -> list[Figure]:
        times = [(to_us(ORIGIN - timedelta(minutes=ago)), value) for ago, value in readings]
        store.write([Reading(tank.id, "temperature", "main", *one) for one in times])
        inputs = load(tank, registry, store, ORIGIN, days=2)
        return list(figures_of(tank_view(inputs), inputs, LocalTime("UTC", ORIGIN)))

    yield make
    registry.close()
    store.close()


def figures(served: Served, tank: str) -> dict[str, Figure]:
    """The figures of a tank by their keys."""
    inputs = load(served.registry.tank(tank), served.registry, served.store, ORIGIN, days=2)
    made = figures_of(tank_view(inputs), inputs, LocalTime("UTC", ORIGIN))
    return {one.key: one for one in made}


def test_each_figure_has_state_trend_and_day(shore: Served) -> None:
    found = figures(shore, "emberpane")
    assert list(found) == ["co2", "temperature", "light"]
    assert [one.name for one in found.values()] == ["CO2", "Water", "Light"]
    assert found["temperature"].line.short == "too warm"
    assert all(one.trend is not None and one.day.curves for one in found.values())
    inputs = load(shore.registry.tank("emberpane"), shore.registry, shore.store, ORIGIN, days=2)
    warm = inputs.series("temperature")
    last = warm.value[warm.time_s > ORIGIN.timestamp() - DAY_S]
    day = found["temperature"].day
    assert day.words == f"temperature of the last 24 h: {last.min():.1f} to {last.max():.1f} °C"
    light = found["light"].trend
    assert light is not None
    assert (light.way, light.words) == ("clock", "plan: off 17:00")


@pytest.mark.parametrize(
    ("per_hour", "way", "words"),
    [
        (3.0, "up", "rising 3.0 °C per hour"),
        (-0.4, "down", "falling 0.4 °C per hour"),
        (0.0, "level", "steady"),
    ],
)
def test_a_trend_is_said_in_words(written, per_hour: float, way: str, words: str) -> None:
    ago = range(240, 0, -5)
    _, water, light = written((one, 24.0 + per_hour * (240 - one) / 60) for one in ago)
    assert water.trend is not None
    assert (water.trend.way, water.trend.words) == (way, words)
    assert light.trend is None, "whether the lamp is on is not known"
    assert light.day == DayLine((), None, "no readings in 24 h")


def test_a_single_reading_is_told_in_words_where_it_makes_no_line(written) -> None:
    co2, water, _ = written([(4, 24.0)])
    assert (water.day.curves, water.day.words) == ((), "temperature of the last 24 h: 24.0 °C")
    assert co2.day.words == "no readings in 24 h"


@pytest.mark.parametrize(
    ("clock", "expected"),
    [("08:59", ("on", "09:00")), ("09:00", ("off", "17:00")), ("17:00", ("on", "09:00"))],
)
def test_the_next_switch_of_the_lamp(clock: str, expected: tuple[str, str]) -> None:
    now = datetime.combine(ORIGIN.date(), time.fromisoformat(clock), tzinfo=UTC)
    word, at = next_switch(LightPlan(time(9), 8.0), LocalTime("UTC", now))
    assert (word, f"{at:%H:%M}") == expected


def test_a_lamp_past_midnight_goes_off_on_the_next_day() -> None:
    night = LocalTime("UTC", datetime(2026, 4, 15, 1, tzinfo=UTC))
    plan = LightPlan(time(20), 8.0)
    assert next_switch(plan, night)[0] == "off"
    assert next_switch(replace(plan, photoperiod_h=24.0), night)[0] == ""


def test_a_curve_is_broken_where_nothing_is_known() -> None:
    time_s = np.array([0.0, 60, 120, 180, 240, 9000, 9060])
    value = np.array([1.0, 2, np.nan, 3, 4, 5, 6])
    pieces = stretches(time_s, value, 3600)
    assert [[one for _, one in piece] for piece in pieces] == [[1, 2], [3, 4], [5, 6]]
    canvas = Canvas(100, 10, 0, 9060, 0, 10)
    assert canvas.curves(time_s, value, 3600)[0] == "0.0,9.0 0.7,8.0"
    assert canvas.y(99) == 0, "kept inside"


def test_thinning_keeps_means_and_what_is_not_known_out() -> None:
    time_s = np.arange(1000.0)
    value = np.where(time_s < 500, 1.0, 3.0)
    value[10] = np.nan
    times, values = thinned(time_s, value, 10)
    assert len(times) == 10
    assert values.tolist() == [1.0] * 5 + [3.0] * 5
    assert np.all(np.diff(times) > 0)
