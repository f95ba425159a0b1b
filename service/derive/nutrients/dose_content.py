"""What a planned fertiliser adds to the water, by what is in it."""

from __future__ import annotations

from service.registry.models.plans import DosePlan
from service.science.nutrients.dosing import added, ions_mg_l
from service.science.nutrients.stock import Stock, stock_ions_mg_l


def content_known(plan: DosePlan) -> bool:
    """Whether anybody said what is in a fertiliser."""
    return bool(plan.salts or plan.label_mg)


def rises_mg_l(plan: DosePlan, amount: float, litres: float) -> dict[str, float]:
    """Rise of each ion by a dose.

    Args:
        amount: mL of a solution or g of a dry dose, as the plan has it.
        litres: net volume.

    Returns:
        Nothing where the plan does not say what is in it.
    """
    grams: dict[str, float] = {}
    for salt in plan.salts:
        grams[salt.substance] = grams.get(salt.substance, 0.0) + salt.mass_g
    if plan.label_mg:
        return {ion: mg * amount / litres for ion, mg in plan.label_mg.items()}
    if plan.bottle_ml is not None:
        found = stock_ions_mg_l(Stock(grams, plan.bottle_ml), amount, litres)
    else:
        whole = sum(grams.values())
        found = added(*(ions_mg_l(name, amount * g / whole, litres) for name, g in grams.items()))
    return {ion: float(rise) for ion, rise in found.items()}
