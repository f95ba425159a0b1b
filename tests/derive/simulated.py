"""An invented tank whose days come from the demo's simulator, with equations of its own."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from functools import cache

import numpy as np

from demo.measuring import measured
from demo.model import Gas, Lamp, Room, Sensor, TankModel, Water
from demo.simulator import Trace, simulate
from service.derive.co2.target import target_of
from service.derive.gas_exchange import gas_model_of
from service.derive.inputs import Inputs
from service.derive.light.days import first_day, lit_times
from service.derive.light.source import light_source_of
from service.derive.models.tank_view import TankView
from service.derive.tank_view import tank_view
from service.registry.models.plans import GasPlan, LightPlan, PlantTargets
from service.registry.models.tank import Tank
from service.store.model import Samples
from tests.derive.pieces import KH_4, a_tank, inputs_with, samples

START = datetime(2026, 3, 2, tzinfo=UTC)
NOW = START + timedelta(days=10, hours=20)
MODEL = TankModel(
    "reed",
    lamp=Lamp(time(10), 8.0, 20.0, 8_000.0, heat_k_h=0.15),
    gas=Gas(time(8), time(17, 30), 16.0),
    room=Room(21.0, 1.0, weather_sd_c=0.2),
    heater=None,
    water=Water(KH_4, None, k20_per_h=0.6),
    sensors=(
        Sensor("temperature", "main", 300, noise_sd=0.05),
        Sensor("ph", "glass", 300, noise_sd=0.012),
        Sensor("illuminance", "main", 300, noise_sd=3.0),
    ),
)
TANK = a_tank(
    net_volume_l=150.0,
    light=LightPlan(time(10), 8.0),
    gas=GasPlan(time(8), time(17, 30)),
    targets=PlantTargets(18.0, 30.0, 1.5, 4.0),
    heated=False,
)


def course(model: TankModel, start: datetime, end: datetime) -> Trace:
    return simulate(model, start.timestamp(), end.timestamp(), step_s=300, origin_s=0)


@cache
def _series() -> dict[str, Samples]:
    trace = course(MODEL, START - timedelta(days=2), NOW)
    series = {}
    for sensor in MODEL.sensors:
        time_s, value = measured("reed", sensor, trace, seed=3)
        series[sensor.quantity] = samples(np.rint(time_s * 1e6).astype(np.int64), value)
    return series


def seen_inputs(tank: Tank = TANK) -> Inputs:
    """Ten simulated days as inputs."""
    return inputs_with(tank, NOW, _series(), days=10)


@cache
def seen() -> tuple[TankView, Samples]:
    """Ten simulated days as a view with its gas exchange."""
    inputs, temperature = seen_inputs(), _series()["temperature"]
    view = tank_view(inputs)
    lit = lit_times(TANK, light_source_of(inputs), first_day(inputs), NOW)
    gas = gas_model_of(
        TANK, NOW, view.co2_series, temperature, lit, target_of(TANK, 30.0), 150.0,
    )  # fmt: skip
    return tank_view(inputs, gas=gas), temperature


def truth(model: TankModel) -> Trace:
    """The simulator's own settled day under other settings."""
    trace = course(model, NOW - timedelta(days=6), NOW + timedelta(days=5))
    last = trace.time_s > trace.time_s[-1] - 86_400
    order = np.argsort(trace.time_s[last] % 86_400)
    return Trace(*(getattr(trace, name)[last][order] for name in Trace.__slots__))
