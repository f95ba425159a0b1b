"""The water temperature that compensates an electrode: the nearest within an hour."""

from __future__ import annotations

import pytest

from ingest.process.water_temperature import WaterTemperatures, order_of_belief, temperature_in
from service.errors import StoreUnavailableError
from service.store import Flag, Reading, open_store

MIN = 60_000_000
NOW = 28_333_333 * MIN


class Stored:
    """A store's temperatures, and how often they were asked for."""

    def __init__(self, *measured):
        self.measured, self.asked = measured, 0

    def __call__(self, tank, time_us):
        self.asked += 1
        if not self.measured:
            raise StoreUnavailableError("by this test")
        return min(self.measured, key=lambda one: abs(one[0] - time_us))


def test_none_without_any():
    assert WaterTemperatures().at("reed", NOW) is None


def test_older_than_an_hour_is_none():
    temperatures = WaterTemperatures()
    temperatures.add("reed", NOW, 24.0)
    assert temperatures.at("reed", NOW + 60 * MIN) == 24.0
    assert temperatures.at("reed", NOW + 61 * MIN) is None
    assert temperatures.at("sedge", NOW) is None


def test_one_that_came_here_is_used_without_asking_the_store():
    stored = Stored((NOW, 20.0))
    temperatures = WaterTemperatures(stored)
    temperatures.add("reed", NOW, 24.0)
    assert temperatures.at("reed", NOW + 9 * MIN) == 24.0
    assert stored.asked == 0


def test_a_fresher_one_of_the_store_wins():
    temperatures = WaterTemperatures(Stored((NOW + 25 * MIN, 20.0)))
    temperatures.add("reed", NOW, 24.0)
    assert temperatures.at("reed", NOW + 30 * MIN) == 20.0


def test_late_readings_get_the_temperature_of_their_time():
    stored = Stored(*((NOW - n * 10 * MIN, 20.0 + n / 10) for n in range(144)))
    temperatures = WaterTemperatures(stored)
    temperatures.add("reed", NOW, 24.0)
    for n in range(143, 1, -1):
        # the stored temperature moves by 0.1 °C in ten minutes
        assert temperatures.at("reed", NOW - n * 10 * MIN) == pytest.approx(20.0 + n / 10, abs=0.11)
        assert temperatures.at("reed", NOW) == 24.0
    assert stored.asked < 144


def test_a_store_that_is_away_is_not_asked_for_each_reading():
    stored = Stored()
    temperatures = WaterTemperatures(stored)
    assert [temperatures.at("reed", NOW + n) for n in range(100)] == [None] * 100
    assert stored.asked <= 2


def test_only_usable_readings_of_the_store(tmp_path):
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    for minute, value, flags in ((0, 85.0, Flag.IMPLAUSIBLE), (-5, 24.5, Flag.LATE), (-9, 24.0, 0)):
        time_us = NOW + minute * MIN
        store.write([Reading("reed", "temperature", "main", time_us, value, Flag(flags))])
    assert temperature_in(store)("reed", NOW) == (NOW - 5 * MIN, 24.5)
    assert temperature_in(store)("reed", NOW + 90 * MIN) is None
    assert temperature_in(store)("sedge", NOW) is None
    store.close()


def test_the_believed_thermometer_compensates_not_the_first_by_the_alphabet(tmp_path):
    """One called air hung beside the tank, and turned the line of the electrode."""
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    for sensor, celsius in (("air", 17.0), ("main", 24.0), ("rear", 25.0)):
        store.write([Reading("reed", "temperature", sensor, NOW, celsius)])
    order = {"reed": order_of_belief({}, {"temperature": "rear"})}
    assert temperature_in(store)("reed", NOW) == (NOW, 24.0)
    assert temperature_in(store, lambda tank: ("rear",))("reed", NOW) == (NOW, 25.0)
    store.close()
    temperatures = WaterTemperatures(None, order.__getitem__)
    temperatures.add("reed", NOW - 2 * MIN, 25.0, "rear")
    temperatures.add("reed", NOW - MIN, 17.0, "air")
    assert temperatures.at("reed", NOW) == 25.0
    temperatures.add("reed", NOW - 3 * MIN, 24.0, "main")
    assert temperatures.at("reed", NOW) == 24.0
    assert temperatures.at("reed", NOW + 59 * MIN) == 17.0, "main and rear are too old"


def test_the_order_of_belief_is_that_of_derived_values():
    assert order_of_belief({"temperature": "b"}, {"temperature": "c"}) == ("b", "main", "c")
    assert order_of_belief({"ph": "b"}, {}) == ("main",)
