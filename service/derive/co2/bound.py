"""The most CO2 that a tank's water can hold, beyond which an estimate is no estimate."""

from __future__ import annotations

import numpy as np

from service.derive.models.co2 import Array
from service.registry.models.tank import Tank
from service.science.gas_exchange.air_water import co2_most_mg_l, pressure_atm_from_altitude

DEPTH_ATM = 0.1
"""Pressure of a metre of water: bubbles at the bottom of a tank are under no more."""


def most_co2_mg_l(tank: Tank, celsius: Array | float) -> Array:
    """What water holds under pure CO2 at the bottom of the tank, mg/L."""
    pressure = float(pressure_atm_from_altitude(min(max(tank.altitude_m, -400.0), 6000.0)))
    return co2_most_mg_l(
        np.minimum(np.maximum(celsius, 0.0), 40.0), pressure_atm=pressure + DEPTH_ATM
    )
