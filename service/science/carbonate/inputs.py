"""What is known of a water, checked once and passed block by block to the balance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.activity import ActivityModel, check_model
from service.science.carbonate.balance import Balance, balance
from service.science.carbonate.ions import (
    Ions,
    checked_conductivity,
    checked_gh,
    checked_nutrient_meq_l,
    ions,
)
from service.science.constants import ATOMIC_MASS_G_MOL, CO2_G_MOL, NO3_G_MOL
from service.science.numeric.checks import Floats, as_floats

PH_RANGE: Final = (2.0, 12.0)
TEMPERATURE_RANGE_C: Final = (0.0, 50.0)
MAX_ALKALINITY_MEQ_L: Final = 50.0
MAX_IONIC_STRENGTH_MOL_L: Final = 0.1
MAX_CO2_MG_L: Final = 20000.0

CO2_MG_PER_MOL: Final = CO2_G_MOL * 1000.0


def checked_ph(ph: ArrayLike, name: str = "ph") -> Floats:
    """pH as a checked array, 2-12."""
    return as_floats(name, ph, low=PH_RANGE[0], high=PH_RANGE[1])


def checked_alkalinity(alkalinity_meq_l: ArrayLike) -> Floats:
    """Alkalinity as a checked array, 0-50 meq/L."""
    high = MAX_ALKALINITY_MEQ_L
    return as_floats("alkalinity_meq_l", alkalinity_meq_l, low=0.0, high=high, unit="meq/L")


def checked_temperature(temperature_c: ArrayLike, name: str = "temperature_c") -> Floats:
    """Temperature as a checked array, 0-50 °C."""
    low, high = TEMPERATURE_RANGE_C
    return as_floats(name, temperature_c, low=low, high=high, unit="°C")


def checked_co2(co2_mg_l: ArrayLike, name: str = "co2_mg_l") -> Floats:
    """CO2 as a checked array, 0-20000 mg/L."""
    return as_floats(name, co2_mg_l, low=0.0, high=MAX_CO2_MG_L, unit="mg/L")


@dataclass(frozen=True)
class Evidence:
    """What is known of the ions beside the alkalinity, and the activity model.

    ``known`` names them, of ``ionic_strength_mol_l``, ``gh_meq_l``, ``conductivity_us_cm``,
    ``nitrate_meq_l`` and ``potassium_meq_l``; ``arrays`` holds them in that order; a kernel gets
    them back as ``parts``, cut to its block, and asks ``solve`` for the balance.
    """

    model: ActivityModel
    known: tuple[str, ...]
    arrays: tuple[Floats, ...]

    def ions(self, meq_l: Floats, parts: tuple[Floats, ...]) -> Ions:
        """Ionic strength and hardness of the block; ``meq_l`` its alkalinity."""
        given = dict(zip(self.known, parts, strict=True))
        strength = given.pop("ionic_strength_mol_l", None)
        found = ions(
            meq_l,
            given.get("gh_meq_l"),
            given.get("conductivity_us_cm"),
            given.get("nitrate_meq_l"),
            given.get("potassium_meq_l"),
        )
        return found if strength is None else Ions(strength, found.hardness)

    def solve(
        self, ph: Floats, meq_l: Floats, temperature_c: Floats, parts: tuple[Floats, ...]
    ) -> Balance:
        """The balance of a block; ``meq_l`` alkalinity, ``parts`` this evidence."""
        return balance(ph, meq_l * 1e-3, temperature_c, self.ions(meq_l, parts), self.model)


def evidence(
    ionic_strength_mol_l: ArrayLike | None,
    gh_meq_l: ArrayLike | None,
    conductivity_us_cm: ArrayLike | None,
    activity: str,
    nitrate_mg_l: ArrayLike | None = None,
    potassium_mg_l: ArrayLike | None = None,
) -> Evidence:
    """Check what a caller knows of the water beyond pH, alkalinity and temperature."""
    strength = None
    if ionic_strength_mol_l is not None:
        high = MAX_IONIC_STRENGTH_MOL_L
        strength = as_floats(
            "ionic_strength_mol_l", ionic_strength_mol_l, low=0.0, high=high, unit="mol/L"
        )
    potassium = checked_nutrient_meq_l("potassium_mg_l", potassium_mg_l, ATOMIC_MASS_G_MOL["K"])
    found = {
        "ionic_strength_mol_l": strength,
        "gh_meq_l": checked_gh(gh_meq_l),
        "conductivity_us_cm": checked_conductivity(conductivity_us_cm),
        "nitrate_meq_l": checked_nutrient_meq_l("nitrate_mg_l", nitrate_mg_l, NO3_G_MOL),
        "potassium_meq_l": potassium,
    }
    given = {name: array for name, array in found.items() if array is not None}
    return Evidence(check_model(activity), tuple(given), tuple(given.values()))


def plain(value: Floats) -> Floats:
    """A 0-d result as np.float64, anything else as it is."""
    return np.float64(value) if value.ndim == 0 else value  # type: ignore[return-value]
