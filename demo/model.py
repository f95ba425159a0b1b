"""What a simulated tank is made of: lamp, gas, room, heater, water, sensors and what happens to it.

All values are invented but chosen in the range that the trade sees (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import time
from typing import Any

from service.errors import InvalidInputError
from service.science.gas_exchange.air_water import CO2_PPM_ROOM
from service.science.light.dose import WHITE_LED_UMOL_PER_LUX
from service.science.water.change import concentration_after_changes, mixed_temperature_c


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp on a timer, with linear ramps at both ends of its hours.

    Attributes:
        on: local time at which the ramp begins.
        hours: from the beginning of the ramp up to the end of the ramp down, 0 to 24.
        ramp_min: length of each ramp, min; at most half the hours.
        lux: illuminance at the sensor at full power, lx.
        umol_per_lux: µmol/m²/s per lx of its light.
        heat_k_h: rate at which it warms the water at full power, K/h.
    """

    on: time = time(10, 0)
    hours: float = 8.0
    ramp_min: float = 30.0
    lux: float = 12_000.0
    umol_per_lux: float = WHITE_LED_UMOL_PER_LUX
    heat_k_h: float = 0.15


@dataclass(frozen=True, slots=True)
class Gas:
    """A CO2 valve on a timer.

    Attributes:
        on, off: local times; on after off means open over midnight, equal means never open.
        injection_mg_l_h: CO2 dissolved while open, mg per litre of tank and hour.
    """

    on: time = time(7, 0)
    off: time = time(17, 0)
    injection_mg_l_h: float = 19.0


@dataclass(frozen=True, slots=True)
class Room:
    """The air around the tank.

    Attributes:
        mean_c, swing_c: daily mean and half the difference between warmest and coolest, °C, K.
        warmest: local time of the warmest moment.
        weather_sd_c: standard deviation of the daily mean from day to day, K.
        co2_ppm: mole fraction of CO2 in dry air.
    """

    mean_c: float = 21.0
    swing_c: float = 1.5
    warmest: time = time(16, 0)
    weather_sd_c: float = 0.4
    co2_ppm: float = CO2_PPM_ROOM


@dataclass(frozen=True, slots=True)
class Heater:
    """A heater with an on-off thermostat.

    Attributes:
        set_c: temperature it holds, °C.
        band_c: it switches on half a band below and off half a band above, K.
        heat_k_h: rate at which it warms the water, K/h.
    """

    set_c: float = 24.0
    band_c: float = 0.3
    heat_k_h: float = 1.2


@dataclass(frozen=True, slots=True)
class Water:
    """The body of water and what lives from its CO2.

    Attributes:
        alkalinity_meq_l: at the start; carbonate.
        gh_meq_l: general hardness; its ions shift the pH a little.
        alkalinity_loss_meq_l_d: eaten by nitrification and soil, per day.
        k20_per_h: first-order exchange coefficient of CO2 with air at 20 °C.
        heat_exchange_per_h: first-order exchange of heat with the room.
        uptake_mg_l_h: CO2 taken by the plants at full light and ample CO2.
        uptake_half_mg_l: CO2 at which uptake is half of that.
        respiration_mg_l_h: CO2 given off by all that lives, day and night.
    """

    alkalinity_meq_l: float = 1.45
    gh_meq_l: float | None = 2.1
    alkalinity_loss_meq_l_d: float = 0.0
    k20_per_h: float = 0.6
    heat_exchange_per_h: float = 0.06
    uptake_mg_l_h: float = 1.2
    uptake_half_mg_l: float = 4.0
    respiration_mg_l_h: float = 0.25


@dataclass(frozen=True, slots=True)
class Sensor:
    """A home-made sensor with its faults.

    Attributes:
        quantity: ``temperature``, ``ph``, ``illuminance`` or ``ppfd``.
        name: tells it from others of its quantity.
        every_s: interval between readings, s; a multiple of the simulation's step.
        noise_sd: scatter of one reading, in the quantity's unit.
        noise_relative: scatter in proportion to the value, added to the former.
        step: resolution of what it sends, in the quantity's unit; 0 sends every digit.
        offset: error of its calibration at the origin of the scenario.
        drift_per_day: growth of that error.
        dropouts_per_day: how often it falls silent, on average.
        dropout_min: how long, on average, min.
        spikes_per_day: how often one reading is far off, on average.
        spike: by how much, in the quantity's unit.
    """

    quantity: str
    name: str = "probe"
    every_s: float = 60.0
    noise_sd: float = 0.0
    noise_relative: float = 0.0
    step: float = 0.0
    offset: float = 0.0
    drift_per_day: float = 0.0
    dropouts_per_day: float = 0.0
    dropout_min: float = 5.0
    spikes_per_day: float = 0.0
    spike: float = 0.0


@dataclass(frozen=True, slots=True)
class WaterChange:
    """Part of the water is replaced at one moment.

    Attributes:
        time_s: when, unix seconds.
        fraction: share replaced, 0 to 1.
        temperature_c, alkalinity_meq_l, co2_mg_l: of the new water; None equals the old water.
    """

    time_s: float
    fraction: float
    temperature_c: float | None = None
    alkalinity_meq_l: float | None = None
    co2_mg_l: float | None = 1.0


@dataclass(frozen=True, slots=True)
class Change:
    """From a moment on, one parameter of the tank has another value: a fault or an intervention.

    Attributes:
        time_s: when, unix seconds.
        field: dotted name below ``TankModel``, e.g. ``lamp.lux`` or ``gas.on``.
        value: the new value.
    """

    time_s: float
    field: str
    value: Any


Event = WaterChange | Change


@dataclass(frozen=True, slots=True)
class TankModel:
    """A tank with all that acts on its temperature and its CO2.

    Attributes:
        id: as in topics.
        time_zone: IANA name; timers and the room's day follow it.
        events: what happens to it; in any order.
    """

    id: str
    time_zone: str = "UTC"
    lamp: Lamp = Lamp()
    gas: Gas | None = Gas()
    room: Room = Room()
    heater: Heater | None = Heater()
    water: Water = Water()
    sensors: tuple[Sensor, ...] = ()
    events: tuple[Event, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class WaterState:
    """The water at one moment: unix seconds, °C, mg/L, meq/L, and whether the heater is on."""

    time_s: float
    temperature_c: float
    co2_mg_l: float
    alkalinity_meq_l: float
    heating: bool = False

    def mixed(self, change: WaterChange) -> WaterState:
        """The water after a change, by mass and heat balance."""
        share = change.fraction
        celsius, meq_l, co2 = self.temperature_c, self.alkalinity_meq_l, self.co2_mg_l
        if change.temperature_c is not None:
            celsius = float(mixed_temperature_c(share, change.temperature_c, celsius))
        if change.alkalinity_meq_l is not None:
            meq_l = float(concentration_after_changes(meq_l, change.alkalinity_meq_l, share))
        if change.co2_mg_l is not None:
            co2 = float(concentration_after_changes(co2, change.co2_mg_l, share))
        return replace(self, temperature_c=celsius, co2_mg_l=co2, alkalinity_meq_l=meq_l)


def changed(model: TankModel, path: str, value: Any) -> TankModel:
    """The model with the field at a dotted path replaced.

    Raises:
        InvalidInputError: there is no such field.
    """
    changed_model: TankModel = _replaced(model, path, path.split("."), value)
    return changed_model


def _replaced(part: Any, path: str, names: list[str], value: Any) -> Any:
    allowed = [one.name for one in fields(part)] if is_dataclass(part) else []
    if names[0] not in allowed:
        raise InvalidInputError.of_field("field", path, ", ".join(allowed) or "no part below it")
    inner = value
    if len(names) > 1:
        inner = _replaced(getattr(part, names[0]), path, names[1:], value)
    return replace(part, **{names[0]: inner})
