"""``/v1/species``: the table of animals and plants, and what a name may mean."""

from __future__ import annotations

from typing import Any, Final

from service.api.http.blueprint import Blueprint
from service.registry.fields.limits import NAME_LENGTH
from service.registry.species.names import ALIKE, nearest, plant, species
from service.registry.species.table import ANIMALS, PLANTS, Limits, PlantSpecies, Species
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Text, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.science.water.hardness import MEQ_L_PER_DEGREE

MOST_NEAR: Final = 10

blueprint = Blueprint(
    "species", __name__, url_prefix="/v1/species", description="Animals and plants by their names."
)


class SpeciesOptionsSchema(Schema):
    """Which species."""

    name = Text(
        "Only those that it may mean, the likeliest first: a scientific name, a plain one, or a "
        "slip.",
        shortest=1,
        longest=NAME_LENGTH,
    )


class AnimalSchema(AnswerSchema):
    """One species of animals."""

    name = Text("Scientific name.")
    group = Choice(words=["fish", "shrimp", "snail"])
    synonyms = Items(Text(), "Other scientific names that are understood.")
    vernacular = Items(Text(), "Plain names; only suggested, never taken.")
    temperature = Range("Cel", "Borne for weeks.")
    temperature_source = Text(attribute="tolerable_c.source", longest=1000)
    comfortable = Range("Cel", "Kept so for good.")
    comfortable_source = Text(attribute="comfortable_c.source", longest=1000)
    co2_max = Measure("mg/L", "Tolerated.", attribute="co2_tolerable_mg_l")
    co2_comfortable = Measure("mg/L", attribute="co2_comfortable_mg_l")
    co2_source = Text(longest=1000)
    air_breather = YesNo("Takes air at the surface.")
    gh = Range("meq/L", "General hardness that it is kept at.")


class PlantSchema(AnswerSchema):
    """One species of plants."""

    name = Text("Scientific name.")
    synonyms = Items(Text(), "Other scientific names that are understood.")
    vernacular = Items(Text(), "Plain names.")
    light = Choice("Demand.", words=["low", "medium", "high"])
    co2 = Choice("Injected CO2.", words=["none", "helpful", "needed"])
    height = Range("cm", "Of a well grown plant under water.")
    place = Choice("In the layout.", words=["front", "middle", "back", "wood", "float"])
    source = Text(attribute="height_cm.source", longest=1000)


class AllSpeciesSchema(AnswerSchema):
    """Animals and plants."""

    known = YesNo("Whether `name` is a scientific name of one of them; null without `name`.",
                  allow_none=True)  # fmt: skip
    animals = Items(AnimalSchema)
    plants = Items(PlantSchema)
    next = Text(allow_none=True)


@blueprint.at("", "GET")
@blueprint.query(SpeciesOptionsSchema)
@blueprint.answers(200, AllSpeciesSchema)
def all_species(options: dict[str, Any]) -> dict[str, Any]:
    """Animals and plants with their limits and demands, all or those that a name may mean"""
    name = options.get("name")
    animals, plants, known = ANIMALS, PLANTS, None
    if name is not None:
        known = species(name) is not None or plant(name) is not None
        animals = nearest(name, ANIMALS, least=ALIKE, most=MOST_NEAR)
        plants = nearest(name, PLANTS, least=ALIKE, most=MOST_NEAR)
    return {
        "known": known,
        "animals": [_animal(one) for one in animals],
        "plants": [_plant(one) for one in plants],
        "next": None,
    }


def _animal(one: Species) -> With:
    return With(
        one,
        temperature=_ends(one.tolerable_c),
        comfortable=_ends(one.comfortable_c),
        gh=tuple(end * MEQ_L_PER_DEGREE for end in _ends(one.gh_dgh)),
    )


def _plant(one: PlantSpecies) -> With:
    return With(one, height=_ends(one.height_cm))


def _ends(limits: Limits) -> tuple[float, float]:
    return limits.low, limits.high
