"""The carbonate balance read backwards: pH for a CO2, KH of a water, bicarbonate for a KH."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike

from service.derive.calculations.draws import Draws, estimate_of
from service.derive.calculations.measuring import (
    Known,
    KnownIons,
    ions_of,
    measuring_of,
    other_bases_of,
)
from service.derive.calculations.sense import ions_out_of_sense, kh_step_too_large
from service.derive.models.quality import EstimatedValue
from service.science.carbonate import inverse
from service.science.carbonate.alkalinity import (
    carbonate_side,
    non_carbonate_alkalinity_meq_l,
    non_carbonate_caution,
    without_other_bases,
)
from service.science.carbonate.interval import unknown_ions
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.water.hardness import MEQ_L_PER_DEGREE


@dataclass(frozen=True, slots=True)
class PhForCo2:
    """The pH at which water holds a CO2; None where there is none, and why."""

    ph: EstimatedValue | None
    assumptions: tuple[str, ...] = ()
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
    non_carbonate_fraction: float
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BicarbonateDose:
    """How much of a salt raises KH to a target, and over how many days at least."""

    salt: str
    mass_g: float
    days: float
    cautions: tuple[str, ...]


def ph_for_co2(
    co2_mg_l: float, alkalinity_meq_l: float, temperature_c: float, **known: Unpack[Known]
) -> PhForCo2:
    """The pH at which water holds ``co2_mg_l``, as the probe shows it, with its 95 % interval."""
    ions, measuring = ions_of(known), measuring_of(known)
    tested = measuring.alkalinity(alkalinity_meq_l)
    bases = other_bases_of(known)

    def carbonate(tested: MeasuredAlkalinity, ph: ArrayLike) -> MeasuredAlkalinity:
        return without_other_bases(tested, ph, temperature_c, **bases)

    # what is not carbonate depends on the pH that is sought: two rounds settle it
    ph = float(inverse.ph_for_co2(co2_mg_l, tested.value_meq_l, temperature_c, **ions))
    part = tested
    for _ in range(3 if bases and not math.isnan(ph) else 0):
        part = carbonate(tested, ph)
        ph = float(inverse.ph_for_co2(co2_mg_l, part.value_meq_l, temperature_c, **ions))
        if math.isnan(ph):
            break
    draws = Draws()
    celsius = np.clip(draws.rectangular(temperature_c, measuring.temperature_error_c), 0.0, 50.0)
    # CO2 computed without the ions that are not known reads high by this
    unknown = unknown_ions(tuple(ions))
    drawn = inverse.ph_for_co2(
        co2_mg_l * np.exp(draws.normal(unknown.bias, unknown.sd)),
        draws.alkalinity(part),
        celsius,
        **ions,
    ) + draws.rectangular(0.0, measuring.ph_error)
    found = estimate_of(ph, np.asarray(drawn))
    assumptions = measuring.assumptions(alkalinity_meq_l)
    if found is None:
        return PhForCo2(None, assumptions, ("no pH from 2 to 12 gives this CO2 in this water",))
    reasons = ions_out_of_sense(
        alkalinity_meq_l, ions.get("gh_meq_l"), ions.get("conductivity_us_cm")
    )
    return PhForCo2(found, assumptions, tuple(reasons))


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
    cautions = list(kh_step_too_large(max(target_meq_l - alkalinity_meq_l, 0.0)))
    if rise_dkh > 0:
        cautions.append("pH rises with it at once: look at the animals, and at CO2 afterwards")
    days = math.ceil(rise_dkh / MAX_KH_STEP_DKH - 1e-9)
    return BicarbonateDose(salt, float(grams), float(days), tuple(cautions))
