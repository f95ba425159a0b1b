"""``/v1/tanks/{tank}/animals``: the animals of a tank and the limits they are judged by."""

from __future__ import annotations

from typing import Any

from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.resources.inhabitants.of_tank import OfSpeciesSchema, present_tank
from service.derive.inhabitants.animals import Group, groups_of
from service.derive.inhabitants.tolerance import tolerance_of
from service.registry.fields.limits import MOST_ANIMALS
from service.registry.species.ranges import SharedRange
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Text, Whole, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.science.water.hardness import MEQ_L_PER_DEGREE

blueprint = Blueprint(
    "animals",
    __name__,
    url_prefix="/v1/tanks/<tank>/animals",
    description="The animals of a tank and the limits they are judged by.",
)


class GroupSchema(OfSpeciesSchema):
    """A group of animals of one species, and the limits in force for it."""

    count = Whole(low=0, high=MOST_ANIMALS, attribute="stock.count")
    covered = YesNo("False: nothing is known of it, and no advice covers it.")
    temperature = Range("Cel", "Outside it there are warnings.", open_ends=True)
    temperature_source = Text("Empty without a range.", longest=1000, attribute="tolerable_source")
    comfortable = Range("Cel", "Outside it there are remarks.", open_ends=True)
    comfortable_source = Text("Empty without a range.", longest=1000)
    co2_max = Measure("mg/L", "Tolerated; null where not known.", allow_none=True)
    co2_comfortable = Measure("mg/L", "Null where not known.", allow_none=True)
    co2_source = Text(longest=1000)
    air_breather = YesNo("Takes air at the surface; null where not known.", allow_none=True)
    gh = Range("meq/L", "General hardness; null where not listed.", allow_none=True)
    note = Text("Such as: listed as another name; empty where there is none.", longest=1000)


class SharedRangeSchema(AnswerSchema):
    """Temperatures that all animals share."""

    range = Range("Cel", "Null ends where nothing limits it.", open_ends=True)
    low_species = Text("Whose limit the lower end is.")
    high_species = Text("Whose limit the upper end is.")


class TankAnimalsSchema(AnswerSchema):
    """The animals of a tank, each group with its limits, and what they share."""

    tank = Text()
    animals = Items(GroupSchema)
    temperature = Nested(SharedRangeSchema, "Outside it there are warnings.")
    comfortable = Nested(SharedRangeSchema, "Outside it there are remarks.")
    co2_max = Measure("mg/L", "Tolerated by all, lowered for newcomers.", allow_none=True)
    co2_comfortable = Measure("mg/L", "Comfortable for all, likewise.", allow_none=True)
    too_narrow = Text("Why no temperature, or hardly one, suits all; else empty.", longest=1000)
    not_covered = Items(Text(), "Species that no advice covers.")
    next = Text(allow_none=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, TankAnimalsSchema)
def animals(tank: str) -> dict[str, Any]:
    """The animals of a tank, the limits in force for each, and what they share"""
    present = present_tank(tank)
    tolerance = tolerance_of(present.tank, present.log, present.now)
    return {
        "tank": tank,
        "animals": [_shown(group) for group in groups_of(present.tank)],
        "temperature": _shared(tolerance.tolerable),
        "comfortable": _shared(tolerance.comfortable),
        "co2_max": tolerance.co2_max_mg_l,
        "co2_comfortable": tolerance.co2_comfortable_mg_l,
        "too_narrow": tolerance.too_narrow,
        "not_covered": list(tolerance.unknown),
        "next": None,
    }


def _shared(shared: SharedRange) -> With:
    return With(shared, range=(shared.low_c, shared.high_c))


def _shown(group: Group) -> With:
    stock, gh = group.stock, group.gh_dgh
    return With(
        group,
        species=stock.species,
        temperature=(stock.temperature_low_c, stock.temperature_high_c),
        comfortable=(stock.comfortable_low_c, stock.comfortable_high_c),
        co2_max=stock.co2_max_mg_l,
        co2_comfortable=stock.co2_comfortable_mg_l,
        air_breather=stock.air_breather,
        gh=None if gh is None else tuple(end * MEQ_L_PER_DEGREE for end in gh),
    )
