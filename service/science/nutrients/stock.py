"""Stock solutions: salts dissolved ahead in a bottle, dosed by the millilitre."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, as_number
from service.science.nutrients.dosing import added, ions_mg_l, substance

ML_PER_L: Final = 1000.0

SOLUBILITY_SHARE: Final = 0.8
"""Share of the solubility at 20 °C that a stock should stay below: rooms get cooler, and salts
with an ion in common push each other out. Our choice."""


@dataclass(frozen=True)
class Stock:
    """Grams of each substance (by name), made up with water to `volume_ml`."""

    grams: Mapping[str, float]
    volume_ml: float


def stock_ions_mg_l(stock: Stock, dose_ml: ArrayLike, litres: ArrayLike) -> dict[str, Floats]:
    """Rise of each ion, mg/L, when `dose_ml` of the stock goes into `litres`.

    Shapes broadcast.

    Parameters
    ----------
    dose_ml: >= 0.
    litres: above 0.

    Raises
    ------
    OutOfRangeError: names the argument, or a substance that is not known.
    """
    volume = as_number("volume_ml", stock.volume_ml, above=0, unit="mL")
    share = as_floats("dose_ml", dose_ml, low=0, unit="mL") / volume
    return added(*(ions_mg_l(name, g * share, litres) for name, g in stock.grams.items()))


def stock_dose_ml(stock: Stock, ion: str, rise_mg_l: ArrayLike, litres: ArrayLike) -> Floats:
    """Millilitres of the stock that raise `ion` by `rise_mg_l` in `litres`.

    Raises
    ------
    OutOfRangeError: an ion that the stock lacks, a negative rise, no volume.
    """
    rise = as_floats("rise_mg_l", rise_mg_l, low=0, unit="mg/L")
    one_ml = stock_ions_mg_l(stock, 1.0, litres)
    if ion not in one_ml:
        raise OutOfRangeError("ion", ion, f"{', '.join(one_ml)}, which this stock holds")
    return np.asarray(rise / one_ml[ion])


def stock_cautions(stock: Stock) -> list[str]:
    """What is wrong with a stock: too much to dissolve, or salts that do not stay dissolved.

    Returns
    -------
    one sentence for each; none if nothing is known against it.
    """
    volume_l = as_number("volume_ml", stock.volume_ml, above=0, unit="mL") / ML_PER_L
    found = []
    ions: set[str] = set()
    for name, grams in stock.grams.items():
        part = substance(name)
        ions |= set(part.mass_fraction)
        most = part.solubility_g_l
        if most is not None and grams / volume_l > SOLUBILITY_SHARE * most:
            found.append(
                f"{grams / volume_l:.0f} g/L of {name} is more than {SOLUBILITY_SHARE:.0%} of "
                f"what dissolves at 20 °C ({most:.3g} g/L)"
            )
    if "Ca" in ions:
        partners = sorted(ions & {"SO4", "PO4", "HCO3"} - _from_gypsum_alone(stock))
        if partners:
            found.append(f"calcium precipitates with {', '.join(partners)}: use two bottles")
    if {"Fe", "PO4"} <= ions:
        found.append("iron precipitates with phosphate: use two bottles, dose on different days")
    return found


def _from_gypsum_alone(stock: Stock) -> set[str]:
    """Sulfate that comes only with its own calcium does not count as a partner."""
    others = [name for name in stock.grams if name != "CaSO4.2H2O"]
    sulfate = any("SO4" in substance(name).mass_fraction for name in others)
    return set() if sulfate else {"SO4"}
