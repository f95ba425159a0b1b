"""The stateless calculations behind ``/v1/calculate`` and the command line: no web in here.

Each takes and returns plain values; the API and the command line write them in their own way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.derive.co2.target import Target, state_of
from service.derive.models import Co2State, EstimatedValue
from service.registry.models import PlantDemand
from service.science.carbonate import co2 as carbonate
from service.science.carbonate.co2 import DEFAULT_ALKALINITY_SD_MEQ_L, DEFAULT_PH_SD
from service.science.water import volume
from service.science.water.hardness import dkh_from_meq_l

CO2_METHOD: Final = "carbonate equilibrium, Plummer & Busenberg 1982, activity-corrected"
USUAL_TARGET_MG_L: Final = (PlantDemand().co2_low_mg_l, PlantDemand().co2_high_mg_l)


@dataclass(frozen=True, slots=True)
class Co2Answer:
    """CO2 with its interval, where it lies against the target, and the trade's rule beside it."""

    co2: EstimatedValue | None
    rule_of_thumb_mg_l: float
    state: Co2State
    target: tuple[float, float]
    reasons: tuple[str, ...]


def co2(
    ph: float,
    alkalinity_meq_l: float,
    temperature_c: float,
    *,
    gh_meq_l: float | None = None,
    conductivity_us_cm: float | None = None,
    ph_sd: float = DEFAULT_PH_SD,
    alkalinity_sd_meq_l: float = DEFAULT_ALKALINITY_SD_MEQ_L,
    target: tuple[float, float] = USUAL_TARGET_MG_L,
) -> Co2Answer:
    """Dissolved CO2 from pH, alkalinity and temperature.

    Args:
        gh_meq_l, conductivity_us_cm: sharpen the ionic strength where they are known.
        ph_sd, alkalinity_sd_meq_l: standard deviations of the two inputs.
        target: range aimed at, mg/L.

    Raises:
        OutOfRangeError: an input outside the range of the model.
    """
    found = carbonate.estimate_co2(
        ph,
        alkalinity_meq_l,
        temperature_c,
        ph_sd=ph_sd,
        alkalinity_sd_meq_l=alkalinity_sd_meq_l,
        gh_meq_l=gh_meq_l,
        conductivity_us_cm=conductivity_us_cm,
    )
    value = float(found.value)
    rule = float(carbonate.co2_rule_of_thumb_mg_l(ph, dkh_from_meq_l(alkalinity_meq_l)))
    if not value > 0 or not float(found.low) > 0:
        reason = (
            "At this pH the alkalinity is not carbonate at all: no CO2 can be computed from it."
        )
        return Co2Answer(None, rule, Co2State.UNKNOWN, target, (reason,))
    estimate = EstimatedValue(value, float(found.low), float(found.high))
    return Co2Answer(estimate, rule, state_of(value, Target(*target)), target, ())


@dataclass(frozen=True, slots=True)
class VolumeAnswer:
    """Volume of the box, water in it, and what displaces the rest; litres."""

    gross_l: float
    net_l: float

    @property
    def displaced_l(self) -> float:
        """Glass, air above the water, substrate and hardscape."""
        return self.gross_l - self.net_l


def water_volume(
    length_cm: float,
    width_cm: float,
    height_cm: float,
    *,
    glass_cm: float = 0.0,
    fill_height_cm: float | None = None,
    substrate_depth_cm: float = 0.0,
    substrate_porosity: float = volume.SUBSTRATE_POROSITY,
    hardscape_l: float = 0.0,
) -> VolumeAnswer:
    """Water in a tank, from its dimensions in cm and what stands in it.

    Raises:
        OutOfRangeError: as ``service.science.water.volume.net_volume_l``.
    """
    net = volume.net_volume_l(
        length_cm,
        width_cm,
        height_cm,
        glass_cm=glass_cm,
        fill_height_cm=fill_height_cm,
        substrate_depth_cm=substrate_depth_cm,
        substrate_porosity=substrate_porosity,
        hardscape_l=hardscape_l,
    )
    gross = volume.gross_volume_l(length_cm, width_cm, height_cm)
    return VolumeAnswer(float(gross), float(net))
