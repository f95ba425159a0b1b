"""``/v1/calculate/dose``: salts and stock solutions to mg/L, and back."""

from __future__ import annotations

from typing import Any, Final

from service.api.calculate.blueprint import blueprint
from service.api.http.faults import invalid_field, refusals
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Field, Text, finite
from service.schemas.quantities import Measure, alkalinity, hardness
from service.science.nutrients.dosing import (
    SUBSTANCES,
    Substance,
    dose_g,
    gh_rise_meq_l,
    ions_mg_l,
    kh_rise_meq_l,
    labelled,
)
from service.science.nutrients.limits import CEILINGS, over_ceilings
from service.science.nutrients.stock import Stock, stock_cautions


class LevelSchema(Schema):
    """How much of an ion is in the tank already."""

    ion = Text(shortest=1, longest=20, required=True)
    level = Measure("mg/L", low=0, high=1e5, required=True)


class RiseSchema(Schema):
    """How much of an ion the dose adds."""

    ion = Text(required=True)
    rise = Measure("mg/L", required=True)


class LabelField(Field):
    """Mass fractions by ion, as on a label."""

    allowed = "an object with a share above 0 and up to 1 for each ion, such as Fe"
    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "object",
        "additionalProperties": {"type": "number", "exclusiveMinimum": 0, "maximum": 1},
        "minProperties": 1,
        "maxProperties": 30,
        "propertyNames": {"maxLength": 20},
    }

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, float]:
        if not isinstance(value, dict) or not 0 < len(value) <= 30:
            raise self.refuse(value)
        shares = {name: finite(share) for name, share in value.items()}
        found = {name: share for name, share in shares.items() if share and 0 < share <= 1}
        if len(found) < len(value) or any(len(name) > 20 for name in value):
            raise self.refuse(value)
        return found


class BottleSchema(Schema):
    """A stock solution."""

    volume = Measure("mL", "Of the bottle.", above=0, high=1e6, required=True)
    dose = Measure("mL", "Of one dose.", above=0, high=1e6, required=True)


class DoseQuestionSchema(Schema):
    """A salt, and either its mass or the rise of one ion that is wanted."""

    substance = Choice("A known salt; this or `label`.", words=list(SUBSTANCES))
    label = LabelField("Mass fraction of each ion, from the label; this or `substance`.")
    volume = Measure("L", "Net water of the tank.", above=0, high=1e6, required=True)
    mass = Measure("g", "Weighed; this or `rise`.", low=0, high=1e6)
    ion = Text("Whose rise is wanted.", shortest=1, longest=20)
    rise = Measure("mg/L", "Wanted; this or `mass`.", low=0, high=1e5)
    bottle = Nested(BottleSchema, "To make a stock solution of it.")
    levels = Items(LevelSchema, "In the tank already; judged together with the dose.", longest=30)


class OverSchema(Schema):
    """An ion above its ceiling."""

    ion = Text(required=True)
    level = Measure("mg/L", required=True)
    ceiling = Measure("mg/L", required=True)
    caution = Text(longest=1000, required=True)
    source = Text(longest=1000, required=True)


class DoseAnswerSchema(Schema):
    """The dose and what it does."""

    mass = Measure("g", "Of one dose.", required=True)
    rises = Items(RiseSchema, required=True)
    kh_rise = alkalinity("", required=True)
    gh_rise = hardness("", required=True)
    bottle_mass = Measure(
        "g", "For the bottle, filled up with water.", allow_none=True, required=True
    )
    over = Items(OverSchema, "Ions above their ceiling after the dose.", required=True)
    cautions = Items(Text(longest=1000), required=True)


_ALWAYS: Final = (
    "weigh and handle salts with gloves and goggles, away from children and food; read their "
    "safety data sheet",
)


@blueprint.at("/dose", "POST")
@blueprint.body(
    DoseQuestionSchema,
    example={
        "substance": "KNO3",
        "volume": {"value": 180, "unit": "L"},
        "ion": "NO3",
        "rise": {"value": 10, "unit": "mg/L"},
        "bottle": {"volume": {"value": 500, "unit": "mL"}, "dose": {"value": 20, "unit": "mL"}},
    },
)
@blueprint.answers(200, DoseAnswerSchema)
def dose(question: dict[str, Any]) -> dict[str, Any]:
    """What a dose of a salt adds, or how much of it gives a wanted rise"""
    chosen = _substance(question)
    litres = question["volume"]
    grams = _grams(question, chosen, litres)
    rises = {ion: float(rise) for ion, rise in ions_mg_l(chosen, grams, litres).items()}
    levels = {one["ion"]: one["level"] for one in question.get("levels", [])}
    for ion, rise in rises.items():
        levels[ion] = levels.get(ion, 0.0) + rise
    bottle = question.get("bottle")
    bottle_g, cautions = None, list(_ALWAYS)
    if bottle is not None:
        bottle_g = grams * bottle["volume"] / bottle["dose"]
        if chosen.name in SUBSTANCES:
            cautions += stock_cautions(Stock({chosen.name: bottle_g}, bottle["volume"]))
    return {
        "mass": grams,
        "rises": [{"ion": ion, "rise": rise} for ion, rise in rises.items()],
        "kh_rise": float(kh_rise_meq_l(rises)),
        "gh_rise": float(gh_rise_meq_l(rises)),
        "bottle_mass": bottle_g,
        "over": [
            {
                "ion": one.ion,
                "level": one.mg_l,
                "ceiling": one.ceiling.mg_l,
                "caution": one.ceiling.caution,
                "source": one.ceiling.source,
            }
            for one in over_ceilings(levels, CEILINGS)
        ],
        "cautions": cautions,
    }


def _substance(question: dict[str, Any]) -> Substance:
    if ("substance" in question) == ("label" in question):
        given = question.get("substance")
        raise invalid_field("/substance", given, "this or label, one of them")
    if "substance" in question:
        return SUBSTANCES[question["substance"]]
    with refusals({"sum of mass fractions": "/label"}):
        return labelled("as labelled", question["label"])


def _grams(question: dict[str, Any], chosen: Substance, litres: float) -> float:
    if ("mass" in question) == ("rise" in question):
        raise invalid_field("/mass", question.get("mass"), "this or rise, one of them")
    if "mass" in question:
        return float(question["mass"])
    if question.get("ion") not in chosen.mass_fraction:
        ions = ", ".join(chosen.mass_fraction)
        raise invalid_field("/ion", question.get("ion"), f"one of {ions}, beside rise")
    return float(dose_g(chosen, question["ion"], question["rise"], litres))
