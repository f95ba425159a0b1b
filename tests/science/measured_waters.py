"""CO2 of PHREEQC's waters as a person would measure it, and whether the interval holds it."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from service.science.carbonate.alkalinity import without_other_bases
from service.science.carbonate.co2 import estimate_co2
from service.science.carbonate.kh_methods import KhMethod
from service.science.carbonate.kh_test import alkalinity_of_test
from service.science.numeric.checks import Floats
from service.science.numeric.estimate import Estimate
from service.science.water.hardness import MEQ_L_PER_DEGREE
from tests.science.phreeqc_waters import Waters
from tests.science.simulated_kits import kit_shows_dkh, probe_error_ph

KIT: Final = {
    "drops of 1 dKH": (KhMethod.DROPS, 1.0),
    "drops of 0.5 dKH": (KhMethod.DROPS, 0.5),
    "syringe of 0.1 dKH": (KhMethod.TITRATION, 0.1),
    "strip of 3 dKH": (KhMethod.STRIP, 3.0),
}
PROBE: Final[dict[str, dict[str, float]]] = {
    "calibrated": {"ph_sd": 0.02, "calibration_sd_ph": 0.025},
    "limits of 0.1": {"ph_sd": 0.0, "calibration_sd_ph": 0.0, "ph_half_width": 0.1},
    "two months old": {"ph_sd": 0.02, "calibration_sd_ph": float(np.hypot(0.025, 0.06))},
}
INPUTS: Final = ("gh_meq_l", "conductivity_us_cm", "nitrate_mg_l", "potassium_mg_l")


def measured(
    waters: Waters,
    index: Floats,
    kit: str,
    probe: str,
    known: tuple[str, ...],
    rng: np.random.Generator,
) -> tuple[Estimate, Floats]:
    """The estimate of each measured water, and its true CO2, mg/L.

    ``index`` picks the waters; ``known`` names inputs of ``INPUTS``, or ``phosphate_mg_l``.
    """
    picked: dict[str, Any] = {name: getattr(waters, name)[index] for name in vars(waters)}
    method, step = KIT[kit]
    shown = kit_shows_dkh(kit, picked["alkalinity_meq_l"] / MEQ_L_PER_DEGREE, rng)
    kh = alkalinity_of_test(shown * MEQ_L_PER_DEGREE, method, step * MEQ_L_PER_DEGREE)
    ph = picked["ph"] + probe_error_ph(probe, index.size, rng)
    celsius = picked["temperature_c"] + rng.normal(0, 0.3, index.size)
    if "phosphate_mg_l" in known:
        kh = without_other_bases(kh, ph, celsius, phosphate_mg_l=picked["phosphate_mg_l"])
    found = estimate_co2(
        ph,
        kh.value_meq_l,
        celsius,
        alkalinity_half_width_meq_l=kh.half_width_meq_l,
        alkalinity_sd_meq_l=kh.sd_meq_l,
        **PROBE[probe],
        **{name: picked[name] for name in known if name in INPUTS},
    )
    return found, picked["co2_mg_l"]


def held(found: Estimate, truth: Floats) -> float:
    """Share of the intervals that hold the truth."""
    return float(np.mean((found.low <= truth) & (truth <= found.high)))
