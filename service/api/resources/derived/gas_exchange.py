"""``/v1/tanks/{tank}/gas-exchange``: exchange and injection fitted to the tank's own series."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.loader import load
from service.derive.models.gas_exchange import GasModel
from service.derive.models.quality import EstimatedValue
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items
from service.schemas.fields import Choice, Text, Whole
from service.schemas.quantities import Measure
from service.schemas.ranges import Estimated
from service.schemas.readings import REASONS
from service.schemas.times import Moment

CYLINDERS_G: Final = (500.0, 2000.0)
CAUTION: Final = (
    "CO2 in a room and cylinders under pressure can kill: local codes on pressurised gas and "
    "ventilation come first, and licensed practice where they ask for it"
)

blueprint = Blueprint(
    "gas-exchange",
    __name__,
    url_prefix="/v1/tanks/<tank>/gas-exchange",
    description="Gas exchange of a tank, fitted to its own series.",
)


class Finite(Estimated):
    """An estimate; an infinite one is written as null."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        return super()._serialize(_finite(value), attr, obj, **kwargs)


class CylinderSchema(AnswerSchema):
    """How long a full cylinder lasts at most."""

    content = Measure("g", attribute="content_g")
    days = Estimated("d")


class GasExchangeSchema(AnswerSchema):
    """Exchange and injection; null where the series does not show it."""

    tank = Text()
    fitted = Moment("When; from the days before.")
    k20 = Estimated(
        "/h", "Exchange coefficient at 20 Cel.", attribute="fit.k20_per_h", allow_none=True
    )
    day_k20 = Estimated(
        "/h",
        "Exchange coefficient by day at 20 Cel, where it differs; null: as `k20`.",
        attribute="fit.day_k20_per_h",
        allow_none=True,
    )
    day_begins = Choice(
        "With what the exchange of the day begins: the CO2 or the lamp.",
        words=["gas", "lamp"],
        attribute="fit.day_begins",
        allow_none=True,
    )
    injection = Estimated("mg/L/h", attribute="fit.injection_mg_l_h", allow_none=True)
    equilibrium = Measure(
        "mg/L", "With the air.", attribute="fit.equilibrium_mg_l", allow_none=True
    )
    night_excess = Measure(
        "mg/L",
        "Above that at a long night's end.",
        attribute="fit.night_excess_mg_l",
        allow_none=True,
    )
    nights = Whole("Used in the fit.", low=0, high=10_000, attribute="fit.nights", dump_default=0)
    rises = Whole("Used in the fit.", low=0, high=10_000, attribute="fit.rises", dump_default=0)
    lead = Finite(
        "h",
        "Gas before lights-on to reach the lower end of the target; null: not known, or the "
        "target is not reached at the present rate.",
        attribute="lead_h",
        allow_none=True,
    )
    steady = Finite(
        "mg/L", "Where injection and loss balance.", attribute="steady_mg_l", allow_none=True
    )
    gas_per_day = Finite(
        "g/d",
        "Dissolved: a lower bound of what the cylinder loses.",
        attribute="gas_g_per_day",
        allow_none=True,
    )
    cylinders = Items(CylinderSchema)
    cautions = Items(Text(longest=1000))
    reasons = Items(Text(longest=1000), REASONS)


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A full cylinder and the days it lasts at most."""

    content_g: float
    days: EstimatedValue


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, GasExchangeSchema)
def exchange(tank: str) -> With:
    """Exchange coefficient and injection fitted to the tank's own series, and what they mean"""
    context = current()
    model = gas_exchange(
        load(context.registry.tank(tank), context.registry, context.store, now(), days=FIT_DAYS)
    )
    return With(
        model, tank=tank, cylinders=_cylinders(model), cautions=[CAUTION], reasons=_reasons(model)
    )


def _finite(one: EstimatedValue | None) -> EstimatedValue | None:
    """The estimate, if all of it can be written; an infinite one is none."""
    if one is None or not all(math.isfinite(value) for value in (one.value, one.low, one.high)):
        return None
    return one


def _cylinders(model: GasModel) -> list[Cylinder]:
    use = _finite(model.gas_g_per_day)
    if use is None or use.low <= 0:
        return []
    return [
        Cylinder(grams, EstimatedValue(grams / use.value, grams / use.high, grams / use.low))
        for grams in CYLINDERS_G
    ]


def _reasons(model: GasModel) -> list[str]:
    reasons = [*([model.reason] if model.reason else []), *model.notes]
    if model.fit is None and not reasons:
        reasons.append("the series does not show the gas exchange")
    return reasons
