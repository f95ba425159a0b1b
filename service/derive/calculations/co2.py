"""Dissolved CO2 from pH, carbonate hardness and temperature, with its interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Unpack, cast

from service.derive.calculations.measuring import (
    InputErrors,
    Known,
    ions_of,
    measuring_of,
    other_bases_of,
)
from service.derive.calculations.sense import co2_out_of_sense, ions_out_of_sense
from service.derive.co2.target import Target, state_of
from service.derive.models.co2 import Co2State
from service.derive.models.quality import EstimatedValue
from service.registry.models.plans import PlantTargets
from service.science.carbonate.alkalinity import non_carbonate_caution, without_other_bases
from service.science.carbonate.co2 import (
    RULE_OF_THUMB,
    co2_rule_of_thumb_mg_l,
    estimate_co2,
)
from service.science.numeric.coverage import RECTANGULAR_SD
from service.science.water.hardness import dkh_from_meq_l

CO2_METHOD: Final = "carbonate equilibrium, Plummer & Busenberg 1982, activity-corrected"
USUAL_TARGET_MG_L: Final = (PlantTargets().co2_low_mg_l, PlantTargets().co2_high_mg_l)
NO_CARBONATE: Final = (
    "At this pH the alkalinity is not carbonate at all: no CO2 can be computed from it."
)
IONS_UNKNOWN: Final = (
    "neither GH nor conductivity is known: CO2 is that of water without hardness, which reads "
    "1 to 9 % high in hard water, and the interval reaches down for it"
)


@dataclass(frozen=True, slots=True)
class Co2Answer:
    """CO2 with its interval, where it lies against the target, and the trade's rule beside it.

    Attributes:
        inputs: by the parameter's name, those that were given.
        carbonate_kh: the carbonate alkalinity that KH was taken for, meq/L.
        errors: limits of error in force.
        assumptions: what was taken for granted, a sentence each.
    """

    co2: EstimatedValue | None
    inputs: Mapping[str, float]
    carbonate_kh: EstimatedValue
    errors: InputErrors
    target: tuple[float, float]
    state: Co2State
    rule_of_thumb_mg_l: float
    assumptions: tuple[str, ...]
    reasons: tuple[str, ...]
    method: str = CO2_METHOD
    rule_of_thumb_method: str = RULE_OF_THUMB


def co2(
    ph: float,
    alkalinity_meq_l: float,
    temperature_c: float,
    *,
    target: tuple[float, float] = USUAL_TARGET_MG_L,
    **known: Unpack[Known],
) -> Co2Answer:
    """Dissolved CO2 from pH, alkalinity and temperature.

    Args:
        alkalinity_meq_l: KH as it was read.
        target: range aimed at, mg/L.
        known: ions and bases of the water, how the inputs were measured.

    Raises:
        OutOfRangeError: an input outside the range of the model.
    """
    ions, others, measuring = ions_of(known), other_bases_of(known), measuring_of(known)
    inputs = {"ph": ph, "alkalinity_meq_l": alkalinity_meq_l, "temperature_c": temperature_c}
    inputs |= cast(dict[str, float], ions) | cast(dict[str, float], others)
    tested = measuring.alkalinity(alkalinity_meq_l)
    carbonate = without_other_bases(tested, ph, temperature_c, **others)
    found = estimate_co2(
        ph,
        carbonate.value_meq_l,
        temperature_c,
        calibration_sd_ph=0.0,
        ph_half_width=measuring.ph_error,
        alkalinity_half_width_meq_l=carbonate.half_width_meq_l,
        alkalinity_sd_meq_l=carbonate.sd_meq_l,
        temperature_sd_c=measuring.temperature_error_c * RECTANGULAR_SD,
        **ions,
    )
    share = 1 - float(carbonate.value_meq_l) / max(float(tested.value_meq_l), 1e-9)
    caution = non_carbonate_caution(share)
    value, low, high = float(found.value), float(found.low), float(found.high)
    possible = value > 0 and low > 0
    reasons = (
        *(() if possible else (NO_CARBONATE,)),
        *(co2_out_of_sense(value, ph, temperature_c) if possible else ()),
        *ions_out_of_sense(alkalinity_meq_l, ions.get("gh_meq_l"), ions.get("conductivity_us_cm")),
    )
    return Co2Answer(
        co2=EstimatedValue(value, low, high) if possible else None,
        inputs=inputs,
        carbonate_kh=EstimatedValue(*(float(one) for one in carbonate.interval())),
        errors=measuring.errors(alkalinity_meq_l),
        target=target,
        state=state_of(value, Target(*target)) if possible else Co2State.UNKNOWN,
        rule_of_thumb_mg_l=float(co2_rule_of_thumb_mg_l(ph, dkh_from_meq_l(alkalinity_meq_l))),
        assumptions=(
            *measuring.assumptions(alkalinity_meq_l),
            *(() if "gh_meq_l" in ions or "conductivity_us_cm" in ions else (IONS_UNKNOWN,)),
            *(() if caution is None else (f"{caution}; the carbonate part is taken",)),
        ),
        reasons=reasons,
    )
