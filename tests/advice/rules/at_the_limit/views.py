"""A usual tank with one thing changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

from service.derive.models.tank_view import TankView
from service.registry.models.tank import Tank
from service.store.model import Reading
from service.times import to_us
from tests.advice.cases import view_with
from tests.derive.pieces import NOON

Jitter = Callable[[], float]
"""A normal random number of mean 0 and standard deviation 1."""
Walk = Callable[[Jitter], TankView]
_VIEWS: dict[str, TankView] = {}


@cache
def base(hour: int = 12) -> TankView:
    return view_with(now=NOON.replace(hour=hour))


def days_with(view: TankView, name: str, value: Callable[[], float]) -> TankView:
    """The same with a number of its days of CO2 replaced."""
    return replace(view, co2_days=tuple(replace(d, **{name: value()}) for d in view.co2_days))


def reading(quantity: str, value: float, sensor: str = "", ago_min: float = 1.0) -> Reading:
    time_us = to_us(NOON) - round(ago_min * 6e7)
    return Reading("reed", quantity, sensor or f"{quantity}-1", time_us, value)


def with_tank(tank: Tank) -> TankView:
    if tank.id not in _VIEWS:
        _VIEWS[tank.id] = view_with(replace(tank, id="reed"))
    return _VIEWS[tank.id]
