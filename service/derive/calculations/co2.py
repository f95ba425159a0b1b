"""Dissolved CO2 from pH, carbonate hardness and temperature, with its interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypedDict, Unpack, cast

from service.derive.co2.target import Target, state_of
from service.derive.models import Co2State, EstimatedValue
from service.registry.models import PlantDemand
from service.science.carbonate import co2 as carbonate
from service.science.water.hardness import dkh_from_meq_l

CO2_METHOD: Final = "carbonate equilibrium, Plummer & Busenberg 1982, activity-corrected"
USUAL_TARGET_MG_L: Final = (PlantDemand().co2_low_mg_l, PlantDemand().co2_high_mg_l)
NO_CARBONATE: Final = (
    "At this pH the alkalinity is not carbonate at all: no CO2 can be computed from it."
)


class KnownIons(TypedDict, total=False):
    """What may be known of a water's ions besides its alkalinity."""

    gh_meq_l: float
    conductivity_us_cm: float


@dataclass(frozen=True, slots=True)
class Co2Answer:
    """CO2 with its interval, where it lies against the target, and the trade's rule beside it.

    Attributes:
        inputs: by the parameter's name, those that were given.
    """

    co2: EstimatedValue | None
    inputs: Mapping[str, float]
    target: tuple[float, float]
    state: Co2State
    rule_of_thumb_mg_l: float
    reasons: tuple[str, ...]
    method: str = CO2_METHOD
    rule_of_thumb_method: str = carbonate.RULE_OF_THUMB


def co2(
    ph: float,
    alkalinity_meq_l: float,
    temperature_c: float,
    *,
    target: tuple[float, float] = USUAL_TARGET_MG_L,
    **ions: Unpack[KnownIons],
) -> Co2Answer:
    """Dissolved CO2 from pH, alkalinity and temperature.

    Args:
        target: range aimed at, mg/L.
        ions: sharpen the ionic strength, where known.

    Raises:
        OutOfRangeError: an input outside the range of the model.
    """
    found = carbonate.estimate_co2(ph, alkalinity_meq_l, temperature_c, **ions)
    inputs = {"ph": ph, "alkalinity_meq_l": alkalinity_meq_l, "temperature_c": temperature_c}
    inputs |= cast(dict[str, float], ions)
    value, low, high = float(found.value), float(found.low), float(found.high)
    rule = float(carbonate.co2_rule_of_thumb_mg_l(ph, dkh_from_meq_l(alkalinity_meq_l)))
    if not value > 0 or not low > 0:
        return Co2Answer(None, inputs, target, Co2State.UNKNOWN, rule, (NO_CARBONATE,))
    estimate = EstimatedValue(value, low, high)
    return Co2Answer(estimate, inputs, target, state_of(value, Target(*target)), rule, ())
