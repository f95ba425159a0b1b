"""A day as plants see it: light, CO2 during the light and warmth in one summary.

Each is a fraction of what plants can use, 0 to 1, with its source; the least of them is what limits
growth (Liebig's law of the minimum). It compares days of one tank; it is no forecast of growth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.models.co2 import Array
from service.derive.models.quality import EstimatedValue
from service.derive.prediction.day_model import estimate
from service.registry.models.plans import PlantTargets
from service.science.gas_exchange.rise_equations import HALF_UPTAKE_MG_L

AMPLE_CO2_MG_L: Final = 30.0
"""CO2 beyond which plants take up hardly more. Common practice, no source."""

BEST_C: Final = 25.0
PER_TEN_K: Final = 2.0
"""Growth of submerged plants doubles over ten degrees up to about 25 °C or more: order of magnitude
of Barko & Smart 1981, Ecol. Monogr. 51:219-235 (from memory). Warmer water counts as 1 here: what
heat does to plants differs by species."""

LIGHT_SOURCE: Final = (
    "daily light integral by the lower end of the target of the tank's plants; its default "
    "is common practice, no source"
)
CO2_SOURCE: Final = (
    "uptake C / (C + 4 mg/L) in the light, by that at 30 mg/L: Maberly & Madsen 1998, order of "
    "magnitude (from memory); 30 mg/L is common practice, no source"
)
TEMPERATURE_SOURCE: Final = (
    "twice as much per 10 °C up to 25 °C in the light: Barko & Smart 1981, order of magnitude "
    "(from memory)"
)


@dataclass(frozen=True, slots=True)
class Factor:
    """One condition of growth: fraction of what plants can use, and where that comes from.

    Attributes:
        name: ``light``, ``co2`` or ``temperature``.
        fraction: 0 to 1; None where it is not known.
    """

    name: str
    fraction: EstimatedValue | None
    source: str


@dataclass(frozen=True, slots=True)
class GrowingDay:
    """The conditions of growth of a day.

    Attributes:
        limiting: name of the least of them; "" where none is below 1, or not all are known.
    """

    factors: tuple[Factor, ...]
    limiting: str


def growing_day(
    lit: npt.NDArray[np.bool_],
    co2_mg_l: Array,
    temperature_c: Array,
    dli_mol_m2_d: float | None,
    plants: PlantTargets,
) -> GrowingDay:
    """Summarise a day.

    Args:
        lit: (steps,) whether the lamp is on.
        co2_mg_l, temperature_c: (draws, steps), the first draw the value itself.
        dli_mol_m2_d: None where no light is measured.
    """
    light, co2, warmth = None, None, None
    if not lit.any():
        light = EstimatedValue(0.0, 0.0, 0.0)
    else:
        if dli_mol_m2_d is not None and plants.dli_low_mol_m2_d > 0:
            part = min(dli_mol_m2_d / plants.dli_low_mol_m2_d, 1.0)
            light = EstimatedValue(part, part, part)
        ample = AMPLE_CO2_MG_L / (AMPLE_CO2_MG_L + HALF_UPTAKE_MG_L)
        taken = co2_mg_l / (co2_mg_l + HALF_UPTAKE_MG_L) / ample
        co2 = estimate(np.minimum(taken[:, lit], 1.0).mean(axis=1))
        rate = PER_TEN_K ** (np.minimum(temperature_c[:, lit] - BEST_C, 0.0) / 10.0)
        warmth = estimate(rate.mean(axis=1))
    factors = (
        Factor("light", light, LIGHT_SOURCE),
        Factor("co2", co2, CO2_SOURCE),
        Factor("temperature", warmth, TEMPERATURE_SOURCE),
    )
    known = [(one.fraction.value, one.name) for one in factors if one.fraction is not None]
    least = min(known)
    complete = len(known) == len(factors) or least[0] == 0
    return GrowingDay(factors, least[1] if complete and least[0] < 1 else "")
