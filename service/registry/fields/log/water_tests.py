"""Fields of the log for tests of the water: KH, GH and nutrients."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from service.registry.fields.limits import MOST_GH_MEQ_L, MOST_KH_MEQ_L, MOST_NUTRIENT_MG_L
from service.registry.fields.log.entry import LogData
from service.schemas.quantities import Measure, carbonate_hardness, general_hardness

TESTED_IONS: Final[Mapping[str, str]] = MappingProxyType(
    {"no3_mg_l": "NO3", "po4_mg_l": "PO4", "k_mg_l": "K", "fe_mg_l": "Fe"}
)
"""Ion by the key under which its test is stored."""


def _tested(key: str, label: str) -> Measure:
    """Field of a nutrient that was tested."""
    return Measure("mg/L", f"{label}.", label=label, low=0, high=MOST_NUTRIENT_MG_L, attribute=key)


class KhTestDataSchema(LogData):
    """A test of carbonate hardness."""

    label = "KH test"

    kh = carbonate_hardness(
        "Carbonate hardness.",
        label="Carbonate hardness",
        high=MOST_KH_MEQ_L,
        required=True,
        attribute="kh_meq_l",
    )


class GhTestDataSchema(LogData):
    """A test of general hardness."""

    label = "GH test"

    gh = general_hardness(
        "General hardness.",
        label="General hardness",
        high=MOST_GH_MEQ_L,
        required=True,
        attribute="gh_meq_l",
    )


class NutrientTestDataSchema(LogData):
    """A test of nutrients in the tank's water: one or several."""

    label = "Nutrient test"
    any_of = ("no3", "po4", "k", "fe")

    no3 = _tested("no3_mg_l", "Nitrate")
    po4 = _tested("po4_mg_l", "Phosphate")
    k = _tested("k_mg_l", "Potassium")
    fe = _tested("fe_mg_l", "Iron")
