"""The physics of a planted tank: light, gas, heat and what follows from them.

    dT/dt = h (T_room - T) + lamp + heater
    dC/dt = injection + respiration - uptake(light, C) - k(T) (C - C_eq(T))
    pH    = carbonate balance of C, alkalinity and T

h and k are first-order exchange coefficients; k(T) and C_eq(T) come from
``service.science.gas_exchange.air_water``, pH from ``service.science.carbonate.co2``. Each step is
exact for inputs held at their value in the middle of the step. What happens at a moment (a water
change, a fault) falls on the next step.

The truth is simulated here; what sensors make of it is in ``demo.measuring``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from demo.model import Change, Gas, Lamp, Room, TankModel, WaterChange, WaterState, changed
from service.science.carbonate.co2 import ph_for_co2
from service.science.gas_exchange.air_water import (
    co2_air_equilibrium_mg_l,
    exchange_rate_at_temperature,
)

Array = npt.NDArray[np.float64]

STEP_S = 60.0
DAY_S = 86_400.0
HOUR_S = 3600.0
ZONE_GRAIN_S = 900.0  # every offset from UTC in use, and every change of it, is a multiple


@dataclass(frozen=True, slots=True)
class Trace:
    """The true course of a tank: arrays of one length.

    Attributes:
        time_s: unix seconds, at equal steps.
        temperature_c, co2_mg_l, ph, alkalinity_meq_l: of the water.
        illuminance_lx, ppfd_umol_m2_s: at the light sensor.
        gas_open: whether the valve is open.
    """

    time_s: Array
    temperature_c: Array
    co2_mg_l: Array
    ph: Array
    alkalinity_meq_l: Array
    illuminance_lx: Array
    ppfd_umol_m2_s: Array
    gas_open: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.time_s)

    def quantity(self, name: str) -> Array:
        """The true series of a measured quantity.

        Raises:
            KeyError: the simulation has no such quantity.
        """
        return {
            "temperature": self.temperature_c,
            "ph": self.ph,
            "illuminance": self.illuminance_lx,
            "ppfd": self.ppfd_umol_m2_s,
        }[name]

    @classmethod
    def joined(cls, parts: list[Trace]) -> Trace:
        """Several traces, one after the other, as one; at least one."""
        return cls(
            *(np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(cls))
        )


class Simulation:
    """One tank, simulated step by step; the same whether run at once or in pieces."""

    def __init__(
        self,
        model: TankModel,
        start_s: float,
        *,
        seed: int = 0,
        origin_s: float = 0.0,
        step_s: float = STEP_S,
        state: WaterState | None = None,
    ) -> None:
        """Set the tank up.

        Args:
            model: the tank; its events before ``start_s`` count only where they set a parameter.
            start_s: unix seconds of the first state.
            seed: the weather of the room follows from it.
            origin_s: unix seconds that the weather's days are counted from.
            step_s: length of a step.
            state: the water at the start; None takes water at rest with the room, gas off.
        """
        self._seed = seed
        self._origin_s = origin_s
        self._step_s = step_s
        self._events = sorted(model.events, key=lambda event: event.time_s)
        self._model = model
        self.state = replace(state or _at_rest(model, start_s), time_s=start_s)
        while self._events and self._events[0].time_s < start_s:
            event = self._events.pop(0)
            if isinstance(event, Change):
                self._model = changed(self._model, event.field, event.value)

    def step(self) -> Trace:
        """Advance by one step; a trace of one element."""
        return self.run_to(self.state.time_s + self._step_s)

    def run_to(self, end_s: float) -> Trace:
        """Advance by as many whole steps as fit up to ``end_s``; their ends make the trace."""
        steps = max(0, math.floor((end_s - self.state.time_s) / self._step_s + 1e-9))
        parts = [self._advance(count) for count in self._stretches(steps)]
        return Trace.joined(parts) if parts else self._advance(0)

    def _stretches(self, steps: int) -> Iterator[int]:
        """Numbers of steps between events; applies each event as its time is reached."""
        while steps:
            while self._events and self._events[0].time_s <= self.state.time_s:
                self._happen(self._events.pop(0))
            count = steps
            if self._events:
                ahead = (self._events[0].time_s - self.state.time_s) / self._step_s
                count = min(steps, max(1, math.ceil(ahead - 1e-9)))
            yield count
            steps -= count

    def _happen(self, event: WaterChange | Change) -> None:
        if isinstance(event, WaterChange):
            self.state = self.state.mixed(event)
        else:
            self._model = changed(self._model, event.field, event.value)

    def _advance(self, steps: int) -> Trace:
        """Advance without events in between."""
        model, water, state = self._model, self._model.water, self.state
        time_s = np.asarray(state.time_s + self._step_s * np.arange(1, steps + 1), np.float64)
        middle = local_second(time_s - self._step_s / 2, model.time_zone)
        day = (time_s - self._step_s / 2 - self._origin_s) / DAY_S
        light = lamp_level(model.lamp, middle)
        room_c = room_temperature_c(model.room, middle) + _weather_c(model, day, self._seed)
        temperature, heating = self._warm(room_c, light)
        co2 = self._exchange(temperature, light, gas_open(model.gas, middle))
        lost = water.alkalinity_loss_meq_l_d / DAY_S * (time_s - state.time_s)
        alkalinity = np.maximum(state.alkalinity_meq_l - lost, 0.0)
        now = local_second(time_s, model.time_zone)
        lux = model.lamp.lux * lamp_level(model.lamp, now)
        if steps:
            self.state = WaterState(
                float(time_s[-1]),
                float(temperature[-1]),
                float(co2[-1]),
                float(alkalinity[-1]),
                heating,
            )
        return Trace(
            time_s,
            temperature,
            co2,
            ph_for_co2(co2, alkalinity, temperature, gh_meq_l=water.gh_meq_l),
            alkalinity,
            lux,
            lux * model.lamp.umol_per_lux,
            gas_open(model.gas, now),
        )

    def _warm(self, room_c: Array, light: Array) -> tuple[Array, bool]:
        """Temperature at the end of each step, and whether the heater is on then."""
        h, heater = self._model.water.heat_exchange_per_h, self._model.heater
        decay, effective_h = _first_order(h, self._step_s / HOUR_S)
        drive = h * room_c + self._model.lamp.heat_k_h * light
        celsius, heating = self.state.temperature_c, self.state.heating
        course: list[float] = []
        for rate in drive.tolist():
            if heater is not None:
                half = heater.band_c / 2
                heating = celsius < heater.set_c + (half if heating else -half)
                rate += heater.heat_k_h * heating
            celsius = celsius * decay + rate * effective_h
            course.append(celsius)
        return np.array(course, np.float64), heating and heater is not None

    def _exchange(self, temperature_c: Array, light: Array, valve: npt.NDArray[np.bool_]) -> Array:
        """CO2 at the end of each step."""
        water, gas = self._model.water, self._model.gas
        k = exchange_rate_at_temperature(water.k20_per_h, temperature_c)
        equilibrium = co2_air_equilibrium_mg_l(temperature_c, co2_ppm=self._model.room.co2_ppm)
        injection = (gas.injection_mg_l_h if gas else 0.0) * valve
        source = k * equilibrium + injection + water.respiration_mg_l_h
        hours = self._step_s / HOUR_S
        decay = np.exp(-k * hours)
        effective_h = np.where(k > 0, -np.expm1(-k * hours) / np.where(k > 0, k, 1.0), hours)
        uptake = water.uptake_mg_l_h * light
        co2, half = self.state.co2_mg_l, water.uptake_half_mg_l
        course: list[float] = []
        for keep, gain, span, most in zip(
            decay.tolist(), source.tolist(), effective_h.tolist(), uptake.tolist(), strict=True
        ):
            taken = most * co2 / (co2 + half) if most else 0.0
            co2 = max(co2 * keep + (gain - taken) * span, 0.0)
            course.append(co2)
        return np.array(course, np.float64)


def simulate(
    model: TankModel,
    start_s: float,
    end_s: float,
    *,
    seed: int = 0,
    origin_s: float = 0.0,
    step_s: float = STEP_S,
    state: WaterState | None = None,
) -> Trace:
    """The true course of a tank from ``start_s`` (left out) to ``end_s``; see ``Simulation``."""
    simulation = Simulation(
        model, start_s, seed=seed, origin_s=origin_s, step_s=step_s, state=state
    )
    return simulation.run_to(end_s)


def local_second(time_s: Array, time_zone: str) -> Array:
    """Seconds since local midnight by the wall clock, 0 to 86400, of unix seconds (n,)."""
    zone = ZoneInfo(time_zone)
    grain, place = np.unique(np.floor(time_s / ZONE_GRAIN_S), return_inverse=True)
    offset = [_offset_s(start * ZONE_GRAIN_S, zone) for start in grain.tolist()]
    return np.asarray((time_s + np.array(offset, np.float64)[place]) % DAY_S)


def lamp_level(lamp: Lamp, second: Array) -> Array:
    """Share of full power, 0 to 1, at seconds of the local day (n,)."""
    since = (second - second_of_day(lamp.on)) % DAY_S
    length, ramp = lamp.hours * HOUR_S, max(lamp.ramp_min * 60.0, 1e-9)
    return np.clip(np.minimum(since / ramp, (length - since) / ramp), 0.0, 1.0)


def gas_open(gas: Gas | None, second: Array) -> npt.NDArray[np.bool_]:
    """Whether the valve is open at seconds of the local day (n,)."""
    if gas is None:
        return np.zeros(second.shape, np.bool_)
    on, off = second_of_day(gas.on), second_of_day(gas.off)
    return np.asarray((second - on) % DAY_S < (off - on) % DAY_S)


def room_temperature_c(room: Room, second: Array) -> Array:
    """Room temperature, °C, of a day without weather, at seconds of the local day (n,)."""
    phase = 2 * np.pi * (second - second_of_day(room.warmest)) / DAY_S
    return np.asarray(room.mean_c + room.swing_c * np.cos(phase))


def second_of_day(moment: time) -> float:
    """Seconds since midnight of a wall-clock time."""
    return moment.hour * HOUR_S + moment.minute * 60.0 + moment.second


def _weather_c(model: TankModel, day: Array, seed: int) -> Array:
    """What the weather adds to the room, K: one value a day, straight lines between."""
    if not day.size or not model.room.weather_sd_c:
        return np.zeros(day.shape)
    whole = np.arange(math.floor(day.min()), math.floor(day.max()) + 2)
    value = [_normal(seed, int(number)) * model.room.weather_sd_c for number in whole]
    return np.interp(day, whole, value)


def _normal(seed: int, day: int) -> float:
    return float(np.random.default_rng([seed, day + 1_000_000]).standard_normal())


def _at_rest(model: TankModel, start_s: float) -> WaterState:
    """Water that has stood with the gas off: at the heater's or the room's temperature."""
    celsius = model.room.mean_c
    if model.heater is not None:
        celsius = max(celsius, model.heater.set_c)
    k = float(exchange_rate_at_temperature(model.water.k20_per_h, celsius))
    co2 = float(co2_air_equilibrium_mg_l(celsius, co2_ppm=model.room.co2_ppm))
    if k > 0:
        co2 += model.water.respiration_mg_l_h / k
    return WaterState(start_s, celsius, co2, model.water.alkalinity_meq_l)


def _first_order(rate_per_h: float, hours: float) -> tuple[float, float]:
    """Share left after ``hours``, and the hours for which a constant source counts."""
    exponent = rate_per_h * hours
    if exponent == 0:
        return 1.0, hours
    return math.exp(-exponent), -math.expm1(-exponent) / rate_per_h


def _offset_s(time_s: float, zone: ZoneInfo) -> float:
    offset = datetime.fromtimestamp(time_s, UTC).astimezone(zone).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()
