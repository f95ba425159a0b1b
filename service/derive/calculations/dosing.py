"""Salts and stock solutions to mg/L, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from service.derive.calculations.sense import (
    kh_step_too_large,
    larger_than_bottle,
    poisonous,
)
from service.registry.models.plans import Salt
from service.science.numeric.checks import OutOfRangeError
from service.science.nutrients.dosing import (
    SUBSTANCES,
    Substance,
    dose_g,
    from_fertiliser_grade,
    gh_rise_meq_l,
    ions_mg_l,
    kh_rise_meq_l,
    labelled,
)
from service.science.nutrients.limits import CEILINGS, OverCeiling, over_ceilings
from service.science.nutrients.stock import Stock, stock_cautions, stock_dose_ml, stock_ions_mg_l

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
class Grade:
    """Percent of N, P2O5 and K2O, as a bag of fertiliser states them."""

    n_percent: float
    p2o5_percent: float
    k2o_percent: float


@dataclass(frozen=True, slots=True)
class StockDose:
    """Millilitres of a stock solution, what they add, and what is wrong with the stock."""

    dose_ml: float
    rises: tuple[IonLevel, ...]
    cautions: tuple[str, ...]


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
    grade: Grade | None = None,
    mass_g: float | None = None,
    ion: str | None = None,
    rise_mg_l: float | None = None,
    bottle: Bottle | None = None,
    levels: Sequence[IonLevel] = (),
) -> Dose:
    """What a dose of a salt adds, or how much of it gives a wanted rise.

    Args:
        substance, label, grade: a known salt, mass fractions by ion, or N-P-K; one of them.
        mass_g, ion, rise_mg_l: what is weighed, or whose rise is wanted.
        levels: in the tank already.

    Raises:
        OutOfRangeError: both or none of two that exclude each other, or an ion that it lacks.
    """
    chosen = _substance(substance, label, grade)
    weighed = _grams(chosen, volume_l, mass_g, ion, rise_mg_l)
    rises = {name: float(rise) for name, rise in ions_mg_l(chosen, weighed, volume_l).items()}
    kh_rise = float(kh_rise_meq_l(rises))
    after = {one.ion: one.mg_l for one in levels}
    for name, rise in rises.items():
        after[name] = after.get(name, 0.0) + rise
    bottle_mass_g, cautions = None, [HANDLING]
    if bottle is not None:
        bottle_mass_g = weighed * bottle.volume_ml / bottle.dose_ml
        if chosen.name in SUBSTANCES:
            cautions += stock_cautions(Stock({chosen.name: bottle_mass_g}, bottle.volume_ml))
        cautions += larger_than_bottle(bottle.dose_ml, bottle.volume_ml)
    cautions += poisonous(rises)
    cautions += kh_step_too_large(kh_rise)
    return Dose(
        mass_g=weighed,
        rises=tuple(IonLevel(name, rise) for name, rise in rises.items()),
        kh_rise_meq_l=kh_rise,
        gh_rise_meq_l=float(gh_rise_meq_l(rises)),
        bottle_mass_g=bottle_mass_g,
        over=tuple(over_ceilings(after, CEILINGS)),
        cautions=tuple(cautions),
    )


def stock_dose(
    volume_l: float,
    *,
    salts: Sequence[Salt],
    bottle_ml: float,
    dose_ml: float | None = None,
    ion: str | None = None,
    rise_mg_l: float | None = None,
) -> StockDose:
    """What a dose of a stock solution adds, or how much of it gives a wanted rise.

    Args:
        salts: in the bottle, which is filled up with water to ``bottle_ml``.
        dose_ml, ion, rise_mg_l: what is dosed, or whose rise is wanted.

    Raises:
        OutOfRangeError: both or none of dose and rise, or an ion that the bottle lacks.
    """
    grams: dict[str, float] = {}
    for salt in salts:
        grams[salt.substance] = grams.get(salt.substance, 0.0) + salt.mass_g
    stock = Stock(grams, bottle_ml)
    if (dose_ml is None) == (rise_mg_l is None):
        raise OutOfRangeError("dose_ml", dose_ml, "this or rise, one of them")
    if dose_ml is None:
        dose_ml = float(stock_dose_ml(stock, ion or "", rise_mg_l or 0.0, volume_l))
    rises = stock_ions_mg_l(stock, dose_ml, volume_l)
    return StockDose(
        dose_ml=dose_ml,
        rises=tuple(IonLevel(name, float(rise)) for name, rise in rises.items()),
        cautions=(
            HANDLING,
            *stock_cautions(stock),
            *larger_than_bottle(dose_ml, bottle_ml),
            *kh_step_too_large(float(kh_rise_meq_l(rises))),
        ),
    )


def _substance(
    name: str | None, label: Mapping[str, float] | None, grade: Grade | None
) -> Substance:
    if sum(one is not None for one in (name, label, grade)) != 1:
        raise OutOfRangeError("substance", name, "this, label or grade, one of them")
    if grade is not None:
        label = from_fertiliser_grade(grade.n_percent, grade.p2o5_percent, grade.k2o_percent)
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
