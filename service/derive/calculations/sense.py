"""Why a result is outside of sense: inputs that contradict each other or a slip of the unit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from service.science.carbonate.ions import BICARBONATE_CONDUCTIVITY, CONDUCTANCE_FACTOR
from service.science.gas_exchange.air_water import co2_most_mg_l
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.water.ammonia import HARMFUL_NH3_N_MG_L
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
    most = float(co2_most_mg_l(min(temperature_c, 40.0)))
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


AMMONIA: Final = frozenset({"NH4", "NH3", "UREA"})
"""What ammonia comes of in a tank, as labels write it."""


def larger_than_bottle(dose_ml: float, bottle_ml: float) -> Iterator[str]:
    """A sentence on a single dose that its bottle does not hold."""
    if dose_ml > bottle_ml:
        yield (
            f"one dose, {dose_ml:.4g} mL, is larger than the bottle, {bottle_ml:.4g} mL: check the "
            "volume of the tank, the rise and their units, or mix a stronger stock"
        )


def poisonous(ions: Iterable[str]) -> Iterator[str]:
    """A sentence on ammonium and what turns into it."""
    found = [ion for ion in ions if ion.upper() in AMMONIA]
    if found:
        yield (
            f"{', '.join(found)} gives ammonia, a poison to fish and shrimps from "
            f"{HARMFUL_NH3_N_MG_L:g} mg/L of NH3-N on, the more so the higher pH and temperature: "
            "dose nitrate instead where animals live"
        )


def kh_step_too_large(rise_meq_l: float) -> Iterator[str]:
    """A sentence on a KH that rises by more than fish are asked to bear in a day."""
    if float(dkh_from_meq_l(max(rise_meq_l, 0.0))) > MAX_KH_STEP_DKH * (1 + 1e-9):
        yield (
            f"raise KH by no more than {MAX_KH_STEP_DKH:g} dKH a day with fish in the tank "
            "(common practice, no source)"
        )
