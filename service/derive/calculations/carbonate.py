"""The carbonate balance read backwards: pH for a CO2, KH of a water, bicarbonate for a KH."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Unpack

from service.derive.calculations.co2 import KnownIons
from service.science.carbonate import inverse
from service.science.carbonate.alkalinity import (
    carbonate_side,
    non_carbonate_alkalinity_meq_l,
    non_carbonate_caution,
)
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.water.hardness import MEQ_L_PER_DEGREE


@dataclass(frozen=True, slots=True)
class PhForCo2:
    """The pH at which water holds a CO2; None where there is none, and why."""

    ph: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KhOfWater:
    """The alkalinity of a water; None where it would be negative, and why."""

    alkalinity_meq_l: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CarbonatePart:
    """How much of a tested KH is carbonate, and which share is something else."""

    alkalinity_meq_l: float
    non_carbonate_share: float
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BicarbonateDose:
    """How much of a salt raises KH to a target, and over how many days at least."""

    salt: str
    mass_g: float
    days: float
    cautions: tuple[str, ...]


def ph_for_co2(
    co2_mg_l: float, alkalinity_meq_l: float, temperature_c: float, **ions: Unpack[KnownIons]
) -> PhForCo2:
    """The pH at which water holds ``co2_mg_l``."""
    found = float(inverse.ph_for_co2(co2_mg_l, alkalinity_meq_l, temperature_c, **ions))
    if math.isnan(found):
        return PhForCo2(None, ("no pH from 2 to 12 gives this CO2 in this water",))
    return PhForCo2(found)


def kh_of_water(
    co2_mg_l: float, ph: float, temperature_c: float, **ions: Unpack[KnownIons]
) -> KhOfWater:
    """The alkalinity of water of a known CO2 and pH."""
    found = float(inverse.alkalinity_for_co2(co2_mg_l, ph, temperature_c, **ions))
    if not found >= 0:
        return KhOfWater(None, ("water so acid with so little CO2 has no alkalinity",))
    return KhOfWater(found)


def carbonate_part(
    alkalinity_meq_l: float,
    ph: float,
    temperature_c: float,
    phosphate_mg_l: float = 0.0,
    boron_mg_l: float = 0.0,
    organic_carbon_mg_l: float = 0.0,
) -> CarbonatePart:
    """The carbonate part of a tested KH, without what phosphate, borate and humic acids add."""
    other = non_carbonate_alkalinity_meq_l(
        ph,
        temperature_c,
        phosphate_mg_l=phosphate_mg_l,
        boron_mg_l=boron_mg_l,
        organic_carbon_mg_l=organic_carbon_mg_l,
    )
    part, share = (float(one) for one in carbonate_side(alkalinity_meq_l, other))
    caution = non_carbonate_caution(share)
    return CarbonatePart(part, share, () if caution is None else (caution,))


def bicarbonate(
    volume_l: float, alkalinity_meq_l: float, target_meq_l: float, *, salt: str = "NaHCO3"
) -> BicarbonateDose:
    """Grams of a bicarbonate that raise KH to a target, 0 where it is reached already."""
    grams = inverse.bicarbonate_g_for_alkalinity(
        alkalinity_meq_l, target_meq_l, volume_l, salt=salt
    )
    rise_dkh = max(target_meq_l - alkalinity_meq_l, 0.0) / MEQ_L_PER_DEGREE
    cautions = []
    if rise_dkh > MAX_KH_STEP_DKH:
        cautions.append(
            f"raise KH by no more than {MAX_KH_STEP_DKH:g} dKH a day with fish in the tank "
            "(common practice, no source)"
        )
    if rise_dkh > 0:
        cautions.append("pH rises with it at once: look at the animals, and at CO2 afterwards")
    days = math.ceil(rise_dkh / MAX_KH_STEP_DKH - 1e-9)
    return BicarbonateDose(salt, float(grams), float(days), tuple(cautions))
