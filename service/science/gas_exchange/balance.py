"""CO2 that was dissolved in a stretch of time, by what is lost to the air and what is left.

    dissolved = C(end) - C(start) + integral of k(T) (C - C_eq(T)) dt

Plants' uptake and what all that lives gives off are not in it: with injected CO2 they are some
percent of what goes to the air, and much the same from day to day.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.gas_exchange.air_water import (
    co2_air_equilibrium_mg_l,
    exchange_rate_at_temperature,
)
from service.science.numeric.checks import OutOfRangeError, as_floats, as_number


def dissolved_mg_l(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    k20_per_h: float,
    pressure_atm: float = 1.0,
) -> float:
    """CO2 dissolved between the first and the last sample, mg per litre of water.

    Exact for a rate of loss that runs in straight lines between the samples.

    Parameters
    ----------
    time_s: unix seconds (n,), ascending, at least 2.
    co2_mg_l: mg/L (n,), known throughout.
    temperature_c: (n,) or one number, 0-40.
    k20_per_h: exchange coefficient at 20 °C, 1/h.
    pressure_atm: of the air, 0.3-1.2.

    Raises
    ------
    OutOfRangeError: naming a bad parameter.
    """
    times = as_floats("time_s", time_s, unit="s")
    co2 = as_floats("co2_mg_l", co2_mg_l, low=0.0, unit="mg/L")
    if times.ndim != 1 or co2.shape != times.shape or times.size < 2:
        raise OutOfRangeError("co2_mg_l", co2.shape, f"as many as time_s, {times.shape}, from 2")
    celsius = np.broadcast_to(
        as_floats("temperature_c", temperature_c, low=0.0, high=40.0, unit="°C"), times.shape
    )
    k20 = as_number("k20_per_h", k20_per_h, above=0.0, unit="1/h")
    air = co2_air_equilibrium_mg_l(celsius, pressure_atm=pressure_atm)
    loss = exchange_rate_at_temperature(k20, celsius) * (co2 - air)
    return float(co2[-1] - co2[0] + np.trapezoid(loss, times) / SECONDS_PER_HOUR)
