"""Why a result is outside of sense: inputs that contradict each other or a slip of the unit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from service.science.carbonate.ions import BICARBONATE_CONDUCTIVITY, CONDUCTANCE_FACTOR
from service.science.gas_exchange.air_water import co2_air_equilibrium_mg_l
from service.science.water.hardness import dgh_from_meq_l, dkh_from_meq_l

UNUSUAL_CO2_MG_L: Final = 100.0
"""More than planted tanks are run at, by a factor of three. Common practice, no source."""
LIGHTEST_CATION: Final = 50.1
"""Equivalent conductivity of sodium, the least of the usual cations, S cm²/eq (CRC Handbook;
from memory)."""
LEAST_SHARE: Final = 0.8
"""Part of the least conductivity that counts as possible: errors of meter and test. Our choice."""


def co2_out_of_sense(co2_mg_l: float, ph: float, temperature_c: float) -> Iterator[str]:
    """Sentences on a CO2 that no tank has."""
    most = float(10.0 * co2_air_equilibrium_mg_l(min(temperature_c, 40.0), co2_ppm=1e5))
    if co2_mg_l > most:
        yield (
            f"{co2_mg_l:.0f} mg/L is more than water holds under pure CO2 ({most:.0f} mg/L, Weiss "
            f"1974): pH {ph:g} and this KH do not belong to one open water; a reading is wrong"
        )
    elif co2_mg_l > UNUSUAL_CO2_MG_L:
        yield (
            f"{co2_mg_l:.0f} mg/L is more than planted tanks are run at: check pH, KH and their "
            "units before acting on it"
        )


def ions_out_of_sense(
    alkalinity_meq_l: float, gh_meq_l: float | None, conductivity_us_cm: float | None
) -> Iterator[str]:
    """Sentences on a conductivity that is too low for the KH or GH beside it."""
    if conductivity_us_cm is None:
        return
    per_meq = CONDUCTANCE_FACTOR * (BICARBONATE_CONDUCTIVITY + LIGHTEST_CATION)
    named = [(alkalinity_meq_l, f"KH {float(dkh_from_meq_l(alkalinity_meq_l)):.3g} dKH")]
    if gh_meq_l is not None:
        named.append((gh_meq_l, f"GH {float(dgh_from_meq_l(gh_meq_l)):.3g} dGH"))
    for meq_l, what in named:
        if conductivity_us_cm < LEAST_SHARE * per_meq * meq_l:
            yield (
                f"{what} alone conducts about {per_meq * meq_l:.0f} uS/cm, yet "
                f"{conductivity_us_cm:.3g} uS/cm is given: one of the two is wrong, or its unit"
            )
