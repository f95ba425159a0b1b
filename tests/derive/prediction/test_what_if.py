"""What-if and the gas exchange behind it, against the demo's simulator as the outside truth.

The simulator has its own equations and steps; what the model predicts from a tank's readings is
compared with what the simulator does when the setting is really changed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from functools import cache

import numpy as np
import pytest

from demo.measuring import measured
from demo.model import Gas, Lamp, Room, Sensor, TankModel, Water
from demo.simulator import Trace, simulate
from service.derive.co2.target import target_of
from service.derive.gas_exchange import gas_hours_per_day, gas_model_of
from service.derive.models import TankView
from service.derive.prediction.what_if import Answer, Question, what_if
from service.derive.tank_view import tank_view
from service.errors import ConflictError, InvalidInputError
from service.registry.models import PhotoperiodPlan, PlantDemand, Stock, Tank, WaterChangePlan
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
    photoperiod=PhotoperiodPlan(time(10), 8.0, time(8), time(17, 30)),
    plants=PlantDemand(18.0, 30.0, 1.5, 4.0),
    heated=False,
)


def course(model: TankModel, start: datetime, end: datetime) -> Trace:
    return simulate(model, start.timestamp(), end.timestamp(), step_s=300, origin_s=0)


@cache
def seen() -> tuple[TankView, Samples]:
    """Ten simulated days as a view with its gas exchange."""
    trace = course(MODEL, START - timedelta(days=2), NOW)
    series = {}
    for sensor in MODEL.sensors:
        time_s, value = measured("reed", sensor, trace, seed=3)
        series[sensor.quantity] = samples(np.rint(time_s * 1e6).astype(np.int64), value)
    inputs = inputs_with(TANK, NOW, series, days=10)
    view = tank_view(inputs)
    gas = gas_model_of(
        TANK, NOW, view.co2_series, series["temperature"], view.light_days,
        target_of(TANK, 30.0), 150.0,
    )  # fmt: skip
    return tank_view(inputs, gas=gas), series["temperature"]


def asked(question: Question, tank: Tank | None = None) -> Answer:
    view, temperature = seen()
    return what_if(view if tank is None else replace(view, tank=tank), temperature, question)


def truth(model: TankModel) -> Trace:
    """The simulator's own settled day under other settings."""
    trace = course(model, NOW - timedelta(days=6), NOW + timedelta(days=5))
    last = trace.time_s > trace.time_s[-1] - 86_400
    order = np.argsort(trace.time_s[last] % 86_400)
    return Trace(*(getattr(trace, name)[last][order] for name in Trace.__slots__))


def test_fit_finds_the_simulators_exchange_and_injection() -> None:
    gas = seen()[0].gas
    assert gas is not None and gas.fit is not None and gas.fit.injection_mg_l_h is not None
    assert float(gas.fit.k20_per_h.value) == pytest.approx(0.6, rel=0.1)
    assert float(gas.fit.injection_mg_l_h.value) == pytest.approx(16.0, rel=0.1)
    assert gas.gas_g_per_day is not None
    # 16 mg/L/h for 9.5 h in 150 L
    assert gas.gas_g_per_day.value == pytest.approx(16 * 9.5 * 0.15, rel=0.1)
    assert gas.gas_g_per_day.low < 16 * 9.5 * 0.15 < gas.gas_g_per_day.high


def test_lead_is_the_simulators_time_to_target() -> None:
    gas = seen()[0].gas
    assert gas is not None and gas.lead_h is not None
    dark = replace(MODEL, lamp=replace(MODEL.lamp, on=time(14), hours=4.0))
    day = truth(dark)
    after = (day.time_s % 86_400 / 3600 >= 8) & (day.co2_mg_l >= 18.0)
    hours = day.time_s[after][0] % 86_400 / 3600 - 8
    assert gas.lead_h.value == pytest.approx(hours, abs=0.3)
    assert gas.lead_h.low < hours < gas.lead_h.high


@pytest.mark.parametrize(
    ("question", "model"),
    [
        (Question(), MODEL),
        (Question(gas_on=time(10)), replace(MODEL, gas=replace(MODEL.gas, on=time(10)))),
        (
            Question(injection_factor=1.4),
            replace(MODEL, gas=replace(MODEL.gas, injection_mg_l_h=1.4 * 16)),
        ),
        (
            Question(surface_factor=1.5),
            replace(MODEL, water=replace(MODEL.water, k20_per_h=0.9)),
        ),
        (
            Question(lights_on=time(12), light_hours=6.0),
            replace(MODEL, lamp=replace(MODEL.lamp, on=time(12), hours=6.0)),
        ),
    ],
    ids=["as it is", "gas later", "more gas", "more surface", "shorter light"],
)  # fmt: skip
def test_predicted_day_is_the_simulators(question: Question, model: TankModel) -> None:
    """CO2 within 1.5 mg/L of the simulator at every hour, and inside the interval by day."""
    day = asked(question).changed
    real = truth(model)
    at = (np.arange(24) * 12 + 6).astype(int)  # half past every hour
    co2 = np.interp(day.minute[at] * 60, real.time_s % 86_400, real.co2_mg_l, period=86_400)
    assert day.co2.value[at] == pytest.approx(co2, abs=1.5)
    lit = day.lit[at]
    assert (day.co2.low[at][lit] <= co2[lit]).all()
    assert (co2[lit] <= day.co2.high[at][lit]).all()
    ph = np.interp(day.minute[at] * 60, real.time_s % 86_400, real.ph, period=86_400)
    assert day.ph.value[at][lit] == pytest.approx(ph[lit], abs=0.05)


def test_longer_light_warms_about_as_the_simulators_does() -> None:
    answer = asked(Question(light_hours=12.0))
    real = truth(replace(MODEL, lamp=replace(MODEL.lamp, hours=12.0)))
    usual = truth(MODEL)
    rise = float(real.temperature_c.max() - usual.temperature_c.max())
    told = answer.changed.temperature_max_c
    base = answer.today.temperature_max_c.value
    assert told.low - base <= rise <= told.high - base + 0.1
    assert answer.changed.light_h == 12.0
    assert answer.changed.dli_mol_m2_d == pytest.approx(
        (answer.today.dli_mol_m2_d or 0) * 1.5, rel=0.01
    )


def test_hours_within_target_are_counted() -> None:
    answer = asked(Question(gas_on=time(10)))
    assert answer.today.light_h_within.value > 7.5
    late = answer.changed
    assert late.light_h_within.value + late.light_h_below.value == pytest.approx(8.0, abs=0.2)
    assert 1.0 < late.light_h_below.value < 3.0
    assert late.co2_at_lights_on.value < 4.0


def test_kh_moves_ph_and_not_co2() -> None:
    answer = asked(Question(alkalinity_meq_l=2 * KH_4))
    assert answer.changed.co2.value == pytest.approx(answer.today.co2.value)
    noon = 144
    assert answer.changed.ph.value[noon] - answer.today.ph.value[noon] == pytest.approx(
        np.log10(2), abs=0.02
    )


def test_nitrate_follows_the_water_changes_and_the_stock() -> None:
    """Before a change nitrate settles at p N / f (steady state of regular changes)."""
    half = asked(Question(water_change_fraction=0.25)).changed.nitrate_ratio
    assert (half.value, half.low, half.high) == (2.0, 2.0, 2.0)
    rarer = asked(Question(water_change_every_days=14.0)).changed.nitrate_ratio
    assert rarer.value == pytest.approx(2.0)
    more = asked(Question(added=(Stock("Otocinclus vittatus", 10),))).changed.nitrate_ratio
    assert more.value == pytest.approx(1.5)  # 20 animals and 10 more
    assert more.low < 1.5 < more.high


def test_new_animals_lower_the_ceiling() -> None:
    shrimp = Stock("Caridina multidentata", 10, co2_max_mg_l=20.0)
    answer = asked(Question(added=(shrimp,)))
    assert answer.today.ceiling_mg_l == 30.0
    assert answer.changed.ceiling_mg_l == 20.0
    assert answer.changed.above_ceiling_min.value > 60 > answer.today.above_ceiling_min.value
    assert any("lower CO2 ceiling at first" in note for note in answer.notes)


def test_what_cannot_be_told_is_refused_with_the_reason() -> None:
    view, temperature = seen()
    with pytest.raises(ConflictError, match="not fitted yet"):
        what_if(replace(view, gas=None), temperature, Question())
    with pytest.raises(ConflictError, match="log a KH test"):
        what_if(replace(view, co2=replace(view.co2, alkalinity=None)), temperature, Question())
    with pytest.raises(InvalidInputError, match="injection_factor is 9"):
        asked(Question(injection_factor=9.0))


def test_one_gas_time_alone_is_refused_where_the_plan_has_none() -> None:
    """Taken in silence it would have counted as gas all day."""
    unswitched = replace(TANK, photoperiod=PhotoperiodPlan(time(10), 8.0))
    with pytest.raises(InvalidInputError, match="gas_off"):
        asked(Question(gas_on=time(9)), unswitched)
    both = asked(Question(gas_on=time(9), gas_off=time(17)), unswitched)
    assert both.changed.gas.sum() == 8 * 12
    assert not any("all day" in note for note in both.notes)


def test_no_gas_no_fit() -> None:
    view, temperature = seen()
    bare = replace(TANK, co2_injected=False)
    model = gas_model_of(
        bare, NOW, view.co2_series, temperature, view.light_days, target_of(bare, None), 150.0
    )
    assert model.fit is None and model.reason == "no gas is injected"


def test_gas_hours_by_plan() -> None:
    assert gas_hours_per_day(TANK) == 9.5
    over = replace(TANK, photoperiod=PhotoperiodPlan(time(20), 8.0, time(18), time(3)))
    assert gas_hours_per_day(over) == 9.0
    unswitched = replace(TANK, photoperiod=PhotoperiodPlan(), water_change=WaterChangePlan())
    assert gas_hours_per_day(unswitched) == 24.0
