"""What water holds in equilibrium with air, and the ammonia that harms in it."""

from __future__ import annotations

from dataclasses import dataclass

from service.science.gas_exchange.air_water import (
    CO2_PPM_ROOM,
    co2_air_equilibrium_mg_l,
    oxygen_saturation_mg_l,
    pressure_atm_from_altitude,
)
from service.science.water.ammonia import (
    HARMFUL_NH3_N_MG_L,
    unionised_ammonia_mg_l,
    unionised_fraction,
)


@dataclass(frozen=True, slots=True)
class DissolvedGases:
    """Oxygen and CO2 of water in equilibrium with outdoor air and with that of a room, mg/L."""

    oxygen_mg_l: float
    co2_outdoors_mg_l: float
    co2_room_mg_l: float


@dataclass(frozen=True, slots=True)
class Ammonia:
    """The un-ionised part of total ammonia, as N, and from where on it harms."""

    unionised_mg_l: float
    unionised_fraction: float
    harmful_from_mg_l: float = HARMFUL_NH3_N_MG_L


def dissolved_gases(temperature_c: float, *, altitude_m: float = 0.0) -> DissolvedGases:
    """Oxygen and CO2 of water in equilibrium with air."""
    atm = float(pressure_atm_from_altitude(altitude_m))
    room = co2_air_equilibrium_mg_l(temperature_c, co2_ppm=CO2_PPM_ROOM, pressure_atm=atm)
    return DissolvedGases(
        oxygen_mg_l=float(oxygen_saturation_mg_l(temperature_c, pressure_atm=atm)),
        co2_outdoors_mg_l=float(co2_air_equilibrium_mg_l(temperature_c, pressure_atm=atm)),
        co2_room_mg_l=float(room),
    )


def ammonia(total_mg_l: float, ph: float, temperature_c: float) -> Ammonia:
    """The un-ionised part of ``total_mg_l`` of ammonia and ammonium, as N."""
    return Ammonia(
        unionised_mg_l=float(unionised_ammonia_mg_l(total_mg_l, ph, temperature_c)),
        unionised_fraction=float(unionised_fraction(ph, temperature_c)),
    )
