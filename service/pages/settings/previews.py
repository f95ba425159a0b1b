"""What is shown beside a form while it is edited: the tank, the day, doses, animals."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from marshmallow import ValidationError

from service.derive.nutrients.dose_content import content_known, rises_mg_l
from service.errors import InvalidInputError, UnknownUnitError
from service.pages.settings.drawing import TankDrawing, tank_drawing
from service.pages.settings.plan_strip import PlanStrip, plan_strip
from service.pages.tank.animals import limits_text
from service.registry.fields.dimensions import DimensionsSchema
from service.registry.fields.inhabitants import StockSchema, TankPlantSchema
from service.registry.fields.plans import DosePlanSchema, GasPlanSchema, LightPlanSchema
from service.registry.models.plans import DosePlan, GasPlan, LightPlan
from service.registry.models.tank import Plant, Stock
from service.registry.species.names import plant
from service.registry.species.ranges import is_unknown, resolved
from service.registry.volume import volume_of
from service.schemas.base import Schema, ValueSchema
from service.schemas.checks import check
from service.schemas.quantities import Measure


@dataclass(frozen=True, slots=True)
class DoseEffect:
    """What a dose of the plan adds.

    Attributes:
        amount: in the whole tank, with its unit; "" where the volume is not known.
        rises: ion -> mg/L; empty where nobody said what is in it.
        missing: what has to be entered first; "" where nothing has.
    """

    name: str
    amount: str
    rises: Mapping[str, float]
    missing: str = ""


@dataclass(frozen=True, slots=True)
class SpeciesNote:
    """What is known of a species in a row of the form.

    Attributes:
        row: name of the row: ``animals.0``.
        unknown: nothing is; its limits have to be entered.
    """

    row: str
    name: str
    text: str
    unknown: bool = False


def drawing_of(body: Mapping[str, Any]) -> TankDrawing | None:
    """The tank of a body of JSON; None while its dimensions are not all there."""
    size = _loaded(DimensionsSchema(), body.get("dimensions"))
    return None if size is None else tank_drawing(size)


def strip_of(body: Mapping[str, Any]) -> PlanStrip | None:
    """The planned day of a body of JSON; None while a time is none."""
    light = _loaded(LightPlanSchema(), body.get("light") or {})
    gas = _loaded(GasPlanSchema(), body.get("gas") or {})
    if not isinstance(light, LightPlan):
        return None
    switched = gas if isinstance(gas, GasPlan) and body.get("co2_injected", True) else GasPlan()
    return plan_strip(light, switched)


def net_volume_of(body: Mapping[str, Any]) -> float | None:
    """Net volume of a body of JSON, L: as measured, or else computed; None where not known."""
    try:
        return float(str(Measure("L", above=0).deserialize(body.get("net_volume"))))
    except ValidationError:
        size = _loaded(DimensionsSchema(), body.get("dimensions"))
        return None if size is None else volume_of(size)


def dose_effects(body: Mapping[str, Any]) -> tuple[DoseEffect, ...]:
    """What each dose of a body of JSON adds."""
    litres = net_volume_of(body)
    plans = (_loaded(DosePlanSchema(), one) for one in body.get("doses") or ())
    return tuple(_dose_effect(one, litres) for one in plans if isinstance(one, DosePlan))


def _dose_effect(plan: DosePlan, litres: float | None) -> DoseEffect:
    if litres is None:
        return DoseEffect(plan.name, "", {}, "the dimensions of the tank")
    wet = plan.ml_per_100_l is not None
    per_100_l = plan.ml_per_100_l if wet else plan.g_per_100_l
    amount = (per_100_l or 0.0) * litres / 100
    words = f"{amount:.3g} {'mL' if wet else 'g'}"
    if not content_known(plan):
        return DoseEffect(plan.name, words, {}, "what is in it: its salts, or its label")
    return DoseEffect(plan.name, words, rises_mg_l(plan, amount, litres))


def species_notes(
    body: Mapping[str, Any], rows: Mapping[str, list[int]]
) -> tuple[SpeciesNote, ...]:
    """What is known of the species of a body of JSON.

    Args:
        rows: pointer of a list -> row of the form of each item.
    """
    return (*_animal_notes(body, rows), *_plant_notes(body, rows))


def _animal_notes(body: Mapping[str, Any], rows: Mapping[str, list[int]]) -> Iterator[SpeciesNote]:
    for row, item in zip(rows.get("/animals", ()), body.get("animals") or (), strict=False):
        name = str(item.get("species") or "")
        stock = _loaded(StockSchema(), item, checked=False)
        if not name or not isinstance(stock, Stock):
            continue
        if is_unknown(stock):
            text = "not in the table of species: enter the temperature it tolerates, and the CO2"
            yield SpeciesNote(f"animals.{row}", name, text, unknown=True)
        else:
            yield SpeciesNote(f"animals.{row}", name, limits_text(resolved(stock)))


def _plant_notes(body: Mapping[str, Any], rows: Mapping[str, list[int]]) -> Iterator[SpeciesNote]:
    for row, item in zip(rows.get("/plants", ()), body.get("plants") or (), strict=False):
        name = str(item.get("species") or "")
        given = _loaded(TankPlantSchema(), item, checked=False)
        if not name or not isinstance(given, Plant):
            continue
        known = plant(name)
        if known is not None:
            size = known.height_cm
            text = f"light {known.light}, CO2 {known.co2}, {size.low:g} to {size.high:g} cm tall"
            yield SpeciesNote(f"plants.{row}", name, text)
        elif not given.has_own_demand:
            text = "not in the table of species: enter its light, CO2 and height"
            yield SpeciesNote(f"plants.{row}", name, text, unknown=True)


def _loaded(schema: Schema, value: Any, *, checked: bool = True) -> Any:
    """What a schema makes of JSON; None where it refuses it."""
    assert isinstance(schema, ValueSchema)
    try:
        found = schema.load(value)
        if checked:
            check(schema, found)
    except (ValidationError, InvalidInputError, UnknownUnitError):
        return None
    return found
