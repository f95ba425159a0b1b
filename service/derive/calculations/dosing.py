"""Salts and stock solutions to mg/L, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from service.science.numeric.checks import OutOfRangeError
from service.science.nutrients.dosing import (
    SUBSTANCES,
    Substance,
    dose_g,
    gh_rise_meq_l,
    ions_mg_l,
    kh_rise_meq_l,
    labelled,
)
from service.science.nutrients.limits import CEILINGS, OverCeiling, over_ceilings
from service.science.nutrients.stock import Stock, stock_cautions

HANDLING: Final = (
    "weigh and handle salts with gloves and goggles, away from children and food; read their "
    "safety data sheet"
)


@dataclass(frozen=True, slots=True)
class IonLevel:
    """How much of an ion there is, or is added."""

    ion: str
    mg_l: float


@dataclass(frozen=True, slots=True)
class Bottle:
    """A bottle of stock solution, and one dose of it."""

    volume_ml: float
    dose_ml: float


@dataclass(frozen=True, slots=True)
class Dose:
    """A dose, what it adds, and which ions are above their ceiling then."""

    mass_g: float
    rises: tuple[IonLevel, ...]
    kh_rise_meq_l: float
    gh_rise_meq_l: float
    bottle_mass_g: float | None
    over: tuple[OverCeiling, ...]
    cautions: tuple[str, ...]


def dose(
    volume_l: float,
    *,
    substance: str | None = None,
    label: Mapping[str, float] | None = None,
    mass_g: float | None = None,
    ion: str | None = None,
    rise_mg_l: float | None = None,
    bottle: Bottle | None = None,
    levels: Sequence[IonLevel] = (),
) -> Dose:
    """What a dose of a salt adds, or how much of it gives a wanted rise.

    Args:
        substance, label: a known salt, or mass fractions by ion; one of them.
        mass_g, ion, rise_mg_l: what is weighed, or whose rise is wanted.
        levels: in the tank already.

    Raises:
        OutOfRangeError: both or none of two that exclude each other, or an ion that it lacks.
    """
    chosen = _substance(substance, label)
    weighed = _grams(chosen, volume_l, mass_g, ion, rise_mg_l)
    rises = {name: float(rise) for name, rise in ions_mg_l(chosen, weighed, volume_l).items()}
    after = {one.ion: one.mg_l for one in levels}
    for name, rise in rises.items():
        after[name] = after.get(name, 0.0) + rise
    bottle_mass_g, cautions = None, [HANDLING]
    if bottle is not None:
        bottle_mass_g = weighed * bottle.volume_ml / bottle.dose_ml
        if chosen.name in SUBSTANCES:
            cautions += stock_cautions(Stock({chosen.name: bottle_mass_g}, bottle.volume_ml))
    return Dose(
        mass_g=weighed,
        rises=tuple(IonLevel(name, rise) for name, rise in rises.items()),
        kh_rise_meq_l=float(kh_rise_meq_l(rises)),
        gh_rise_meq_l=float(gh_rise_meq_l(rises)),
        bottle_mass_g=bottle_mass_g,
        over=tuple(over_ceilings(after, CEILINGS)),
        cautions=tuple(cautions),
    )


def _substance(name: str | None, label: Mapping[str, float] | None) -> Substance:
    if (name is None) == (label is None):
        raise OutOfRangeError("substance", name, "this or label, one of them")
    if label is None:
        return SUBSTANCES[str(name)]
    try:
        return labelled("as labelled", label)
    except OutOfRangeError as error:
        raise OutOfRangeError("label", error.value, f"{error.name}: {error.allowed}") from error


def _grams(
    chosen: Substance,
    volume_l: float,
    mass_g: float | None,
    ion: str | None,
    rise_mg_l: float | None,
) -> float:
    if (mass_g is None) == (rise_mg_l is None):
        raise OutOfRangeError("mass_g", mass_g, "this or rise, one of them")
    if mass_g is not None:
        return mass_g
    if ion is None or ion not in chosen.mass_fraction or rise_mg_l is None:
        allowed = f"one of {', '.join(chosen.mass_fraction)}, beside rise"
        raise OutOfRangeError("ion", ion, allowed)
    return float(dose_g(chosen, ion, rise_mg_l, volume_l))
