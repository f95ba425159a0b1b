"""Sensors at the limits of their rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.derive.models.tank_view import TankView
from service.store.model import Reading, SeriesInfo, SeriesKey
from tests.advice.rules.at_the_limit.views import Jitter, Walk, base, reading


def _with_sensor(one: Reading) -> TankView:
    key = SeriesKey("reed", one.quantity, one.sensor)
    return replace(base(), sensors=(*base().sensors, SeriesInfo(key, one)))


def sensor_silent(x: Jitter) -> TankView:
    """It sends about as often as it would count as silent."""
    return _with_sensor(reading("temperature", 24.0, "slow", 60 + 5 * x()))


def sensor_hourly(x: Jitter) -> TankView:
    """It sends each hour, or a little later."""
    ago = np.random.default_rng(int(1e6 * abs(x()))).uniform(0, 66)
    return _with_sensor(reading("temperature", 24.0, "slow", ago))


def sensors_disagree(x: Jitter) -> TankView:
    own = base().latest["temperature"].value
    return _with_sensor(reading("temperature", own + 0.8 + 0.1 * x(), "b"))


WALKS: dict[str, tuple[Walk, ...]] = {
    "sensor-silent": (
        sensor_silent,
        sensor_hourly,
    ),
    "sensors-disagree": (sensors_disagree,),
}
