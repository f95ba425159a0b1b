"""Waters computed by PHREEQC: the reference of the carbonate tests and figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import phreeqpython

from service.science.carbonate.alkalinity import PHOSPHATE_G_MOL
from service.science.constants import ATOMIC_MASS_G_MOL, CO2_G_MOL, NO3_G_MOL
from service.science.numeric.checks import Floats
from service.science.water.hardness import MEQ_L_PER_DEGREE


@dataclass(frozen=True)
class Waters:
    """Random waters with a full composition, arrays of one length."""

    ph: Floats
    alkalinity_meq_l: Floats
    gh_meq_l: Floats
    temperature_c: Floats
    conductivity_us_cm: Floats
    phosphate_mg_l: Floats
    nitrate_mg_l: Floats
    potassium_mg_l: Floats
    ionic_strength_mol_l: Floats
    co2_mg_l: Floats


def khco3_co2_mg_l(
    engine: phreeqpython.PhreeqPython, ph: float, alkalinity_meq_l: float, celsius: float
) -> float:
    """CO2 of KHCO3 water brought to a pH by CO2: K+ equals the alkalinity."""
    solution = engine.add_solution(
        {
            "temp": celsius,
            "pH": ph,
            "units": "mmol/kgw",
            "K": alkalinity_meq_l,
            "Alkalinity": alkalinity_meq_l,
        }
    )
    co2 = float(solution.species["CO2"]) * CO2_G_MOL * 1e3
    solution.forget()
    return co2


def random_waters(engine: phreeqpython.PhreeqPython, count: int, seed: int) -> Waters:
    """Waters of GH 4-12 dGH and KH 1-10 dKH at pH 6-7.6 and 20-28 °C."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(count):
        made = random_composition(rng)
        ph, celsius = rng.uniform(6, 7.6), rng.uniform(20, 28)
        entered: dict[str, object] = {"units": "mmol/kgw", "pH": ph, **made}
        entered["Cl"] = f"{made['Cl']} charge"
        at_25 = engine.add_solution({**entered, "temp": 25})
        here = engine.add_solution({**entered, "temp": celsius})
        rows.append(
            (
                ph,
                made["Alkalinity"],
                2 * (made["Ca"] + made["Mg"]),
                celsius,
                at_25.sc,
                made["P"] * PHOSPHATE_G_MOL,
                made["N(5)"] * NO3_G_MOL,
                made["K"] * ATOMIC_MASS_G_MOL["K"],
                here.I,
                here.species["CO2"] * CO2_G_MOL * 1e3,
            )
        )
        at_25.forget()
        here.forget()
    return Waters(*np.array(rows).T)


def random_composition(rng: np.random.Generator) -> dict[str, float]:
    """Tank water of random make-up: tap water, hardness salts and fertiliser, mmol/L."""
    hardness = rng.uniform(4, 12) * MEQ_L_PER_DEGREE
    alkalinity = rng.uniform(1, 10) * MEQ_L_PER_DEGREE
    magnesium = hardness / 2 * rng.uniform(0.1, 0.5)
    nitrate = rng.uniform(5, 40) / NO3_G_MOL
    potassium = rng.uniform(5, 30) / ATOMIC_MASS_G_MOL["K"]
    phosphate, sodium = rng.uniform(0.1, 1.0) / PHOSPHATE_G_MOL, rng.uniform(0.1, 1.5)
    spare = hardness + sodium + potassium - alkalinity - nitrate - 1.5 * phosphate
    if spare < 0.05:
        sodium, spare = sodium + 0.05 - spare, 0.05
    sulfate = spare * rng.uniform(0, 1) / 2
    return {
        "Ca": hardness / 2 - magnesium,
        "Mg": magnesium,
        "Na": sodium,
        "K": potassium,
        "S(6)": sulfate,
        "Cl": spare - 2 * sulfate,
        "N(5)": nitrate,
        "P": phosphate,
        "Alkalinity": alkalinity,
    }
