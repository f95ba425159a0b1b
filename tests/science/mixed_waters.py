"""Pairs of full waters mixed by PHREEQC: the reference of water changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import phreeqpython

from service.science.constants import CO2_G_MOL
from tests.science.phreeqc_waters import random_composition


@dataclass(frozen=True)
class Change:
    """A tank, the new water and what PHREEQC makes of their mix; hardness in meq/L."""

    tank_ph: float
    tank_kh_meq_l: float
    tank_gh_meq_l: float
    new_ph: float
    new_kh_meq_l: float
    new_gh_meq_l: float
    temperature_c: float
    fraction: float
    ph: float
    co2_mg_l: float


def random_changes(engine: phreeqpython.PhreeqPython, count: int, seed: int) -> list[Change]:
    """Gassed tanks of pH 6.2-7 changed by 20-60 % for tap water of pH 7.2-7.9."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        celsius, fraction = rng.uniform(20, 28), rng.uniform(0.2, 0.6)
        phs = rng.uniform(6.2, 7.0), rng.uniform(7.2, 7.9)
        made = [random_composition(rng) for _ in phs]
        waters = [
            engine.add_solution(
                {
                    **one,
                    "units": "mmol/kgw",
                    "temp": celsius,
                    "pH": ph,
                    "Cl": f"{one['Cl']} charge",
                }
            )
            for one, ph in zip(made, phs, strict=True)
        ]
        mix = engine.mix_solutions({waters[0]: 1 - fraction, waters[1]: fraction})
        hard = [2 * (one["Ca"] + one["Mg"]) for one in made]
        found.append(
            Change(
                phs[0], made[0]["Alkalinity"], hard[0], phs[1], made[1]["Alkalinity"], hard[1],
                celsius, fraction, float(mix.pH), float(mix.species["CO2"]) * CO2_G_MOL * 1e3,
            )
        )  # fmt: skip
        for one in (*waters, mix):
            one.forget()
    return found
