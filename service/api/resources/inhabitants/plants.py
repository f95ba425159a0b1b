"""``/v1/tanks/{tank}/plants``: the plants of a tank with their demand and height."""

from __future__ import annotations

from typing import Any, get_args

from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.resources.inhabitants.of_tank import OfSpeciesSchema, Present, present_tank
from service.derive.inhabitants.plant_heights import height_of
from service.derive.inhabitants.plants import Planted, plants_of
from service.registry.fields.limits import MOST_ITEMS
from service.registry.models.tank import AtSurface, Position, Side
from service.registry.species.table import Co2Demand, Light, Place
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text
from service.schemas.quantities import Measure
from service.schemas.ranges import Estimated, Range
from service.schemas.times import Moment

blueprint = Blueprint(
    "plants",
    __name__,
    url_prefix="/v1/tanks/<tank>/plants",
    description="The plants of a tank with their demand and height.",
)


class WeeksSchema(AnswerSchema):
    """Weeks from now on."""

    value = Number()
    earliest = Number()
    latest = Number("Null: it may be never.", allow_none=True)


class GrownHeightSchema(AnswerSchema):
    """How tall plants are, by heights in the log."""

    last = Measure("cm", "As logged last.", attribute="last_cm")
    time = Moment("When that was.")
    now = Measure("cm", "Estimated, by the growth since.", attribute="now_cm")
    growth = Estimated("cm/wk", "Null without two heights between two cuts.", allow_none=True)
    to_surface = Nested(
        WeeksSchema, "When they reach the surface at this growth; null: not known.", allow_none=True
    )


class PlantedSchema(OfSpeciesSchema):
    """Plants of one species."""

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
    position = Choice(
        "Where it stands in this tank; null: not said.",
        words=get_args(Position),
        allow_none=True,
        attribute="plant.position",
    )
    side = Choice(words=get_args(Side), allow_none=True, attribute="plant.side")
    wished_height = Measure("cm", allow_none=True, attribute="plant.wished_height_cm")
    at_surface = Choice(
        "The keeper's choice; null: not chosen.",
        words=get_args(AtSurface),
        allow_none=True,
        attribute="plant.at_surface",
    )
    grown = Nested(GrownHeightSchema, "Null: no height is in the log.", allow_none=True)
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
    """The plants of a tank: demand of light and CO2, height, place and growth

    By the table of species, or as the tank says of its own; growth by the heights in the log.
    """
    present = present_tank(tank)
    found = plants_of(present.tank)
    return {
        "tank": tank,
        "plants": [_shown(one, present) for one in found],
        "not_listed": [one.plant.species for one in found if not one.listed_as],
        "next": None,
    }


def _shown(one: Planted, present: Present) -> With:
    plant = one.plant
    return With(
        one,
        species=plant.species,
        height=(plant.height_low_cm, plant.height_high_cm),
        grown=height_of(plant, present.tank, present.log, present.now),
    )
