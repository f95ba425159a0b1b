"""Ceilings for what is dosed, with the caution that belongs to each. Set them per tank."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from service.science.numeric.checks import as_number
from service.science.nutrients.dosing import NO3_PER_N


@dataclass(frozen=True)
class Ceiling:
    """Highest advisable concentration in mg/L, why, and where the figure comes from."""

    mg_l: float
    caution: str
    source: str


CEILINGS: Final[Mapping[str, Ceiling]] = MappingProxyType(
    {
        "NO3": Ceiling(
            10 * NO3_PER_N,
            "harms sensitive freshwater animals over months, and eggs and young first",
            "10 mg/L NO3-N: Camargo, Alonso & Salamanca 2005, Chemosphere 58:1255-1267",
        ),
        "PO4": Ceiling(3.0, "feeds algae where light is strong", "common practice, no source"),
        "K": Ceiling(30.0, "plants take no more; it only adds salts", "common practice, no source"),
        "Fe": Ceiling(
            1.0,
            "burdens the gills of fish and turns water cloudy",
            "US EPA 1986, Quality criteria for water, chronic (from memory)",
        ),
        "Cl": Ceiling(
            230.0,
            "harms freshwater animals and plants over weeks",
            "US EPA 1988, chronic criterion for chloride (from memory)",
        ),
        "Cu": Ceiling(
            0.009,
            "kills shrimps and snails; more so in soft water",
            "US EPA 1996, chronic criterion at 100 mg/L CaCO3 (from memory)",
        ),
    }
)

MAX_KH_STEP_DKH: Final = 1.0
"""Largest rise of KH in a day with fish in the tank. Common practice, no source."""


@dataclass(frozen=True)
class OverCeiling:
    """An ion above its ceiling: mg/L expected, mg/L advisable, and why it matters."""

    ion: str
    mg_l: float
    ceiling: Ceiling


def over_ceilings(
    level_mg_l: Mapping[str, float], ceilings: Mapping[str, Ceiling] = CEILINGS
) -> list[OverCeiling]:
    """Ions of `level_mg_l` (present level plus dose, mg/L) that exceed their ceiling.
    Ions without a ceiling pass.

    Raises
    ------
    OutOfRangeError: a negative level.
    """
    return [
        OverCeiling(ion, level, ceilings[ion])
        for ion, level in level_mg_l.items()
        if as_number(f"level of {ion}", level, low=0, unit="mg/L") > 0
        and ion in ceilings
        and level > ceilings[ion].mg_l
    ]
