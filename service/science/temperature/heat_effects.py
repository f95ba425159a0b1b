"""Why heat matters: less oxygen, more of the ammonia that harms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.science.gas_exchange.air_water import oxygen_saturation_mg_l
from service.science.numeric.checks import Floats
from service.science.water.ammonia import unionised_fraction


@dataclass(frozen=True)
class HeatEffects:
    """Effects of a temperature, compared with the usual one; arrays of one shape.

    oxygen_mg_l: oxygen of water in equilibrium with air.  oxygen_share: of that at the usual
    temperature.  ammonia_factor: un-ionised ammonia, as a multiple of that at the usual
    temperature and the same pH and total.
    """

    oxygen_mg_l: Floats
    oxygen_share: Floats
    ammonia_factor: Floats


def heat_effects(
    temperature_c: ArrayLike,
    usual_c: ArrayLike,
    ph: ArrayLike,
    *,
    pressure_atm: ArrayLike = 1.0,
) -> HeatEffects:
    """Compare oxygen and ammonia at a temperature with those at the usual one.

    Parameters (shapes broadcast): ``temperature_c``, ``usual_c`` 0-40; ``ph`` 2-12;
    ``pressure_atm`` total pressure. Raises: OutOfRangeError naming the argument outside its range.
    Sources: Benson & Krause 1984 (oxygen), Emerson et al. 1975 (ammonia).
    """
    oxygen = oxygen_saturation_mg_l(temperature_c, pressure_atm=pressure_atm)
    usual = oxygen_saturation_mg_l(usual_c, pressure_atm=pressure_atm)
    ammonia = unionised_fraction(ph, temperature_c) / unionised_fraction(ph, usual_c)
    return HeatEffects(oxygen, np.asarray(oxygen / usual), np.asarray(ammonia))
