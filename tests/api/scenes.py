"""Invented tanks with readings of known values; everything in here is made up."""

from __future__ import annotations

import functools
from datetime import timedelta

from service.store import Flag, Reading
from service.times import to_us
from tests.api.conftest import NOW

TANK = {
    "name": "Invented tank",
    "dimensions": {
        "length": {"value": 90, "unit": "cm"},
        "width": {"value": 45, "unit": "cm"},
        "height": {"value": 45, "unit": "cm"},
    },
    "kh": {"value": 4, "unit": "dKH"},
    "kh_tested": "2025-06-01",
    "kh_kit": {"method": "titration", "step": {"value": 1, "unit": "dKH"}},
    "animals": [
        {"species": "Paracheirodon innesi", "count": 20, "added": "2024-01-10"},
    ],
}


def put(client, tank="riffle", **members):
    """Register a tank."""
    response = client.put(f"/v1/tanks/{tank}", json=TANK | members)
    assert response.status_code in (200, 201), response.get_data(as_text=True)
    return response


def day_of_readings(store, tank="riffle", *, until=NOW, ph=6.8, celsius=25.0, lux=9000.0):
    """A day of readings each minute; the lamp burns for the last four hours."""
    store.write(_day(tank, until, ph, celsius, lux))


@functools.cache
def _day(tank, until, ph, celsius, lux):
    readings = []
    for minute in range(24 * 60):
        time_us = to_us(until - timedelta(minutes=minute))
        lit = minute < 240
        readings += [
            Reading(tank, "ph", "glass-1", time_us, ph),
            Reading(tank, "temperature", "wet-1", time_us, celsius),
            Reading(tank, "illuminance", "lamp-1", time_us, lux if lit else 3.0),
        ]
    return tuple(readings)


def reading(quantity, minutes_ago, value, flags=Flag.NONE, tank="riffle", sensor="one"):
    """One reading, so many minutes ago."""
    time_us = to_us(NOW - timedelta(minutes=minutes_ago))
    return Reading(tank, quantity, sensor, time_us, value, flags)
