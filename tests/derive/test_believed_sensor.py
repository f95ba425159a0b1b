"""Which sensor of several counts: the chosen, else main, else the first; never by the alphabet."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.advice.engine.scheduler import Scheduler
from service.clock import FixedClock
from service.derive.loader import load
from service.derive.sensors.choice import Why, chosen_series
from service.registry.models.tank import Tank
from service.store import open_store
from service.store.model import Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.derive.pieces import NOON
from tests.registries import sqlite_registry


def info(sensor, minutes=1.0, flags=Flag.NONE):
    at_us = to_us(NOON - timedelta(minutes=minutes))
    last = Reading("reed", "temperature", sensor, at_us, 24.0, flags)
    return SeriesInfo(SeriesKey("reed", "temperature", sensor), last)


CHOICES = [
    (["air", "main"], None, None, "main", Why.MAIN),
    (["air", "rear"], None, "rear", "rear", Why.FIRST),
    (["air", "main", "rear"], "rear", "air", "rear", Why.CHOSEN),
    (["air"], None, "air", "air", Why.FIRST),
    (["air", "rear"], None, None, "rear", Why.FIRST),
]


@pytest.mark.parametrize(("sensors", "choice", "first", "believed", "why"), CHOICES)
def test_the_order_of_belief(sensors, choice, first, believed, why):
    tank = Tank("reed", "Reed", sensors={} if choice is None else {"temperature": choice})
    infos = [info(name, minutes=3 - number) for number, name in enumerate(sensors)]
    known = {} if first is None else {"temperature": first}
    found = chosen_series(tank, "temperature", infos, NOON, first=known)
    assert (found.info.key.sensor, found.why, found.reasons) == (believed, why, ())


def test_while_the_believed_one_is_silent_another_stands_in_and_it_is_said():
    infos = [info("air"), info("main", minutes=600), info("rear", minutes=2)]
    tank = Tank("reed", "Reed")
    found = chosen_series(tank, "temperature", infos, NOON, first={"temperature": "rear"})
    assert (found.info.key.sensor, found.why) == ("rear", Why.STAND_IN)
    assert found.reasons == (
        "temperature is taken from rear, because main gives no usable reading",
    )


def test_a_newcomer_does_not_take_the_tank_over(tmp_path):
    """A thermometer called air began to report beside the one in the water, and was believed."""
    registry = sqlite_registry(tmp_path / "registry.db")
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    tank = Tank("reed", "Reed")
    registry.put_tank(tank)

    def write(sensor, value, since_h):
        now_us = to_us(NOON)
        minutes = range(0, since_h * 60, 5)
        store.write(
            [
                Reading("reed", "temperature", sensor, now_us - m * 60_000_000, value)
                for m in minutes
            ]
        )

    def temperature():
        return load(tank, registry, store, NOON).latest["temperature"].value

    write("wet", 24.0, 10)
    assert temperature() == 24.0
    write("air", 19.0, 2)
    assert temperature() == 24.0  # by the store: wet has been there for longer
    Scheduler(registry, store, FixedClock(NOON), 60.0).evaluate_all()
    assert registry.first_sensors("reed") == {"temperature": "wet"}
    write("air", 19.0, 300)  # of a file that was imported, or the store forgot what was before
    assert temperature() == 24.0
    registry.change_tank("reed", lambda one: Tank("reed", "Reed", sensors={"temperature": "air"}))
    tank = registry.tank("reed")
    assert temperature() == 19.0
    registry.close()
    store.close()
