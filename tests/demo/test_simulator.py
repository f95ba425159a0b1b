"""The simulated water against independent integration, closed forms and the carbonate balance."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time
from itertools import pairwise

import numpy as np
import pytest

from demo.model import (
    Change,
    Gas,
    Heater,
    Lamp,
    Room,
    TankModel,
    Water,
    WaterChange,
    WaterState,
    changed,
)
from demo.simulator import (
    DAY_S,
    Simulation,
    Trace,
    gas_open,
    lamp_level,
    local_second,
    simulate,
)
from service.errors import InvalidInputError
from service.science.carbonate.co2 import co2_mg_l
from service.science.gas_exchange.air_water import (
    co2_air_equilibrium_mg_l,
    exchange_rate_at_temperature,
)
from tests.science.closed_form import co2_after

STEADY_ROOM = Room(mean_c=24.0, swing_c=0.0, weather_sd_c=0.0)
DARK = Lamp(lux=0.0, heat_k_h=0.0, hours=0.0)
PLAIN = TankModel(
    "plain",
    lamp=DARK,
    gas=None,
    room=STEADY_ROOM,
    heater=None,
    water=Water(uptake_mg_l_h=0.0, respiration_mg_l_h=0.0),
)


def rk4(rate, value: float, start: float, end: float, steps: int) -> float:
    """Integrate dv/dt = rate(t, v) by the classical Runge-Kutta method."""
    dt = (end - start) / steps
    t = start
    for _ in range(steps):
        a = rate(t, value)
        b = rate(t + dt / 2, value + dt / 2 * a)
        c = rate(t + dt / 2, value + dt / 2 * b)
        d = rate(t + dt, value + dt * c)
        value += dt / 6 * (a + 2 * b + 2 * c + d)
        t += dt
    return value


def at_hour(trace: Trace, hour: float) -> int:
    return int(np.argmin(np.abs(trace.time_s - hour * 3600)))


def test_night_decay_is_the_closed_form() -> None:
    start = WaterState(0.0, 24.0, 30.0, 1.45)
    trace = simulate(PLAIN, 0.0, 12 * 3600, state=start)
    k = exchange_rate_at_temperature(PLAIN.water.k20_per_h, 24.0)
    level = co2_air_equilibrium_mg_l(24.0, co2_ppm=STEADY_ROOM.co2_ppm)
    expected = co2_after(30.0, trace.time_s / 3600, k, 0.0, level)
    assert np.allclose(trace.co2_mg_l, expected, rtol=1e-9)


def test_known_exchange_coefficient_is_recovered_from_the_night() -> None:
    model = replace(PLAIN, water=replace(PLAIN.water, k20_per_h=0.42))
    trace = simulate(model, 0.0, 6 * 3600, state=WaterState(0.0, 24.0, 28.0, 1.45))
    level = float(co2_air_equilibrium_mg_l(24.0, co2_ppm=STEADY_ROOM.co2_ppm))
    slope = np.polyfit(trace.time_s / 3600, np.log(trace.co2_mg_l - level), 1)[0]
    assert -slope / 1.024**4 == pytest.approx(0.42, rel=1e-6)


def test_gas_raises_co2_to_the_steady_level() -> None:
    gas = Gas(on=time(0, 0), off=time(23, 59, 59), injection_mg_l_h=12.0)
    trace = simulate(replace(PLAIN, gas=gas), 0.0, 20 * 3600)
    k = 0.6 * 1.024**4
    level = float(co2_air_equilibrium_mg_l(24.0, co2_ppm=STEADY_ROOM.co2_ppm))
    assert trace.co2_mg_l[-1] == pytest.approx(level + 12.0 / k, rel=1e-4)


def test_whole_day_agrees_with_an_independent_integration() -> None:
    """Lamp, gas, room and uptake together, by Runge-Kutta at a sixth of the step."""
    model = replace(TankModel("full"), heater=None, room=Room(weather_sd_c=0.0))
    start = WaterState(0.0, 22.0, 2.0, 1.45)
    water, lamp, room = model.water, model.lamp, model.room
    assert model.gas is not None

    def light(hour: float) -> float:
        rise = (hour - 10.0) / 0.5
        fall = (18.0 - hour) / 0.5
        return min(max(min(rise, fall), 0.0), 1.0)

    def heat(hour: float, celsius: float) -> float:
        air = room.mean_c + room.swing_c * np.cos(2 * np.pi * (hour - 16.0) / 24)
        return water.heat_exchange_per_h * (air - celsius) + lamp.heat_k_h * light(hour)

    edges = [0.0, 7.0, 10.0, 10.5, 17.0, 17.5, 18.0, 22.0]
    celsius = start.temperature_c
    for a, b in pairwise(edges):
        celsius = rk4(heat, celsius, a, b, 200)
    trace = simulate(model, 0.0, 22 * 3600, state=start)
    assert trace.temperature_c[-1] == pytest.approx(celsius, abs=2e-3)

    hours = np.concatenate(([0.0], trace.time_s / 3600))
    course = np.concatenate(([start.temperature_c], trace.temperature_c))

    def gas_balance(hour: float, co2: float) -> float:
        warm = float(np.interp(hour, hours, course))
        k = water.k20_per_h * 1.024 ** (warm - 20.0)
        level = float(co2_air_equilibrium_mg_l(warm, co2_ppm=room.co2_ppm))
        injection = model.gas.injection_mg_l_h if 7.0 <= hour < 17.0 else 0.0  # type: ignore[union-attr]
        uptake = water.uptake_mg_l_h * light(hour) * co2 / (co2 + water.uptake_half_mg_l)
        return injection + water.respiration_mg_l_h - uptake - k * (co2 - level)

    co2 = start.co2_mg_l
    for a, b in pairwise(edges):
        # stay clear of the switching instant itself
        co2 = rk4(gas_balance, co2, a + 1e-9, b - 1e-9, 120)
    assert trace.co2_mg_l[-1] == pytest.approx(co2, rel=2e-3)


def test_ph_is_the_carbonate_balance_of_co2() -> None:
    trace = simulate(TankModel("full"), 0.0, 2 * DAY_S)
    back = co2_mg_l(trace.ph, trace.alkalinity_meq_l, trace.temperature_c, gh_meq_l=2.1)
    assert np.allclose(back, trace.co2_mg_l, rtol=1e-6)
    lit = trace.illuminance_lx > 0
    assert trace.ph[lit].mean() < trace.ph[~lit].mean()


def test_left_alone_the_water_settles_with_air_and_room() -> None:
    trace = simulate(PLAIN, 0.0, 4 * DAY_S, state=WaterState(0.0, 27.0, 25.0, 1.45))
    assert trace.temperature_c[-1] == pytest.approx(24.0, abs=0.02)
    level = float(co2_air_equilibrium_mg_l(24.0, co2_ppm=600.0))
    assert trace.co2_mg_l[-1] == pytest.approx(level, rel=1e-3)


def test_heater_holds_its_band_and_not_above() -> None:
    model = replace(PLAIN, room=replace(STEADY_ROOM, mean_c=18.0), heater=Heater(set_c=24.0))
    trace = simulate(model, 0.0, DAY_S)
    settled = trace.temperature_c[at_hour(trace, 3.0) :]
    assert 23.8 < settled.min() < settled.max() < 24.2
    on_share = model.water.heat_exchange_per_h * (24.0 - 18.0) / 1.2
    rises = np.mean(np.diff(settled) > 0)
    assert rises == pytest.approx(on_share, abs=0.05)


def test_lamp_ramps_and_is_off_at_night() -> None:
    lamp = Lamp(on=time(10, 0), hours=8.0, ramp_min=60.0)
    hours = np.array([9.99, 10.0, 10.5, 11.0, 14.0, 17.0, 17.5, 18.0, 18.01])
    level = lamp_level(lamp, hours * 3600)
    assert np.allclose(level, [0, 0, 0.5, 1, 1, 1, 0.5, 0, 0])


def test_lamp_and_gas_over_midnight() -> None:
    hours = np.array([21.9, 23.0, 0.0, 3.0, 6.1]) * 3600
    gas = Gas(on=time(22, 0), off=time(6, 0))
    assert gas_open(gas, hours).tolist() == [False, True, True, True, False]
    lamp = Lamp(on=time(22, 0), hours=8.0, ramp_min=0.0)
    assert lamp_level(lamp, hours).tolist() == [0.0, 1.0, 1.0, 1.0, 0.0]
    assert not gas_open(Gas(on=time(8, 0), off=time(8, 0)), hours).any()


def test_timers_follow_summer_time() -> None:
    """Europe/Berlin went to summer time on 2026-03-29 at 01:00 UTC (IANA tz database)."""
    times = [datetime(2026, 3, day, 9, 0, tzinfo=UTC).timestamp() for day in (28, 29)]
    hours = local_second(np.array(times), "Europe/Berlin") / 3600
    assert hours.tolist() == [10.0, 11.0]


def test_water_change_balances_mass_and_heat() -> None:
    change = WaterChange(1800.0, 0.5, temperature_c=20.0, alkalinity_meq_l=2.45, co2_mg_l=3.0)
    model = replace(PLAIN, events=(change,))
    start = WaterState(0.0, 24.0, 21.0, 1.45)
    untouched = simulate(PLAIN, 0.0, 1800.0, state=start)
    trace = simulate(model, 0.0, 1860.0, state=start)
    after = at_hour(trace, 31 / 60)
    assert trace.co2_mg_l[after - 1] == untouched.co2_mg_l[-1]
    assert trace.alkalinity_meq_l[after] == pytest.approx(1.95)
    assert trace.temperature_c[after] == pytest.approx(22.0, abs=0.01)
    assert trace.co2_mg_l[after] == pytest.approx((untouched.co2_mg_l[-1] + 3.0) / 2, rel=0.02)


def test_a_change_of_a_parameter_holds_from_its_moment_on() -> None:
    model = replace(TankModel("full"), events=(Change(14 * 3600.0, "lamp.lux", 0.0),))
    trace = simulate(model, 0.0, 2 * DAY_S)
    assert trace.illuminance_lx[at_hour(trace, 13.5)] == 12_000.0
    assert trace.illuminance_lx[trace.time_s > 14 * 3600].max() == 0.0
    late_start = simulate(model, DAY_S, 2 * DAY_S)
    assert late_start.illuminance_lx.max() == 0.0


def test_a_change_of_an_unknown_parameter_is_refused() -> None:
    with pytest.raises(InvalidInputError, match=r"lamp\.colour.*allowed: on, hours"):
        changed(PLAIN, "lamp.colour", 3)
    with pytest.raises(InvalidInputError, match=r"id\.length"):
        changed(PLAIN, "id.length", 3)


def test_alkalinity_is_eaten_at_its_rate() -> None:
    model = replace(PLAIN, water=replace(PLAIN.water, alkalinity_loss_meq_l_d=0.05))
    trace = simulate(model, 0.0, 3 * DAY_S)
    assert trace.alkalinity_meq_l[-1] == pytest.approx(1.45 - 0.15)


def test_same_seed_same_course_and_other_seed_other_weather() -> None:
    model = TankModel("full")
    one, two = simulate(model, 0.0, DAY_S, seed=4), simulate(model, 0.0, DAY_S, seed=4)
    other = simulate(model, 0.0, DAY_S, seed=5)
    assert np.array_equal(one.temperature_c, two.temperature_c)
    assert not np.array_equal(one.temperature_c, other.temperature_c)


def test_in_pieces_as_at_once() -> None:
    events = (WaterChange(9000.0, 0.4, temperature_c=21.0), Change(40_000.0, "heater", None))
    model = replace(TankModel("full"), events=events)
    end_s = 50_400.0
    whole = simulate(model, 0.0, end_s)
    simulation = Simulation(model, 0.0)
    parts = [simulation.run_to(end) for end in (100.0, 9000.0, 9030.0, 47_000.0)]
    while simulation.state.time_s < end_s:
        parts.append(simulation.step())
    joined = Trace.joined(parts)
    assert np.array_equal(joined.time_s, whole.time_s)
    assert np.allclose(joined.co2_mg_l, whole.co2_mg_l, rtol=1e-12)
    assert np.allclose(joined.temperature_c, whole.temperature_c, rtol=1e-12)


def test_no_time_no_trace() -> None:
    assert len(simulate(PLAIN, 0.0, 59.0)) == 0
