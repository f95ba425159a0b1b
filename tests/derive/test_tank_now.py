"""The present of a tank by itself: as the whole view has it."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from datetime import timedelta

import numpy as np

from service.derive.models.tank_view import TankNow
from service.derive.tank_now import tank_now
from service.derive.tank_view import tank_view
from service.registry.models.log import LogKind
from service.registry.models.tank import Stock
from tests.derive.pieces import NOON, a_tank, days_of, entry, inputs_with


def assert_same(one: object, other: object) -> None:
    """Equal, arrays by their values."""
    assert type(one) is type(other)
    if isinstance(one, np.ndarray):
        np.testing.assert_array_equal(one, other)
    elif is_dataclass(one):
        for each in fields(one):
            assert_same(getattr(one, each.name), getattr(other, each.name))
    else:
        assert one == other


def test_it_is_the_present_of_the_view() -> None:
    animals = (Stock("Invented", 10, temperature_low_c=22.0, temperature_high_c=23.5),)
    log = (entry(LogKind.CALIBRATION, NOON - timedelta(days=40), quantity="ph"),)
    for series in (days_of(NOON), {}):
        inputs = inputs_with(a_tank(animals=animals), NOON, series, log)
        now, view = tank_now(inputs), tank_view(inputs)
        for each in fields(TankNow):
            assert_same(getattr(now, each.name), getattr(view, each.name))
