"""``/v1/tanks/{tank}/plants``: the plants of a tank with their demand and height."""

from __future__ import annotations

from typing import Any, get_args

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.derive.plants import Planted, plants_of
from service.registry.fields.limits import MOST_ITEMS
from service.registry.species.table import Co2Demand, Light, Place
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items
from service.schemas.fields import Choice, Text
from service.schemas.ranges import Range

blueprint = Blueprint(
    "plants",
    __name__,
    url_prefix="/v1/tanks/<tank>/plants",
    description="The plants of a tank with their demand and height.",
)


class PlantedSchema(AnswerSchema):
    """Plants of one species."""

    species = Text("As the tank names it.", attribute="plant.species")
    listed_as = Text("Name in the table of species; empty where it is not listed.")
    vernacular = Items(Text(), "Plain names.")
    light = Choice(
        "Demand; null where not known.",
        words=get_args(Light),
        allow_none=True,
        attribute="plant.light",
    )
    co2 = Choice(
        "Injected CO2; null where not known.",
        words=get_args(Co2Demand),
        allow_none=True,
        attribute="plant.co2",
    )
    height = Range("cm", "Of a well grown plant; null ends where not known.", open_ends=True)
    place = Choice("In the layout; empty where not known.", words=["", *get_args(Place)])
    source = Text("Of demand and height; empty without any.", longest=1000)
    note = Text(
        "What to know of it in this tank, such as that it needs CO2 and there is none; else empty.",
        longest=1000,
    )


class TankPlantsSchema(AnswerSchema):
    """The plants of a tank."""

    tank = Text()
    plants = Items(PlantedSchema, longest=MOST_ITEMS)
    not_listed = Items(Text(), "Species of which nothing is known.")
    next = Text(allow_none=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, TankPlantsSchema)
def plants(tank: str) -> dict[str, Any]:
    """The plants of a tank: demand of light and CO2, height and place in the layout

    By the table of species, or as the tank says of its own.
    """
    found = plants_of(current().registry.tank(tank))
    return {
        "tank": tank,
        "plants": [_shown(one) for one in found],
        "not_listed": [one.plant.species for one in found if not one.listed_as],
        "next": None,
    }


def _shown(one: Planted) -> With:
    return With(one, height=(one.plant.height_low_cm, one.plant.height_high_cm))
