"""``/v1/tanks/{tank}/light``: the light of one day."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.derive.light.days import light_day
from service.derive.loader import load_day
from service.derive.local_time import local_day
from service.derive.models.light import LightDay
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Schema
from service.schemas.fields import Text, YesNo
from service.schemas.quantities import Fraction, Measure
from service.schemas.ranges import Range
from service.schemas.readings import REASONS
from service.schemas.times import Day, Moment

blueprint = Blueprint(
    "light", __name__, url_prefix="/v1/tanks/<tank>/light", description="The light of a tank."
)


class LightOptionsSchema(Schema):
    """Which day."""

    date = Day("Local day of the tank; default: today.")


class LitSchema(AnswerSchema):
    """From on to off; a pair on the Python side."""

    start = Moment()
    end = Moment()

    def get_attribute(self, obj: Any, attr: str, default: Any) -> Any:
        """The first of the pair is the start."""
        return obj[("start", "end").index(attr)]


class LightDaySchema(AnswerSchema):
    """The light of one local day; null where it is not measured."""

    tank = Text()
    date = Day("Local day of the tank.", attribute="day")
    complete = YesNo("The day is over.")
    covered = Fraction(
        "Of the day so far, for which there are readings.", attribute="covered_share"
    )
    lit = Items(LitSchema, "When the tank was lit.")
    on = Moment("First on; null: not seen.", attribute="on_at", allow_none=True)
    off = Moment("Last off; null: not seen.", attribute="off_at", allow_none=True)
    photoperiod = Measure(
        "h",
        "Seen to be lit so far; null: nothing of the day was seen.",
        attribute="photoperiod_h",
        allow_none=True,
    )
    photoperiod_range = Range(
        "h",
        "Between which it lies: what was not seen may have been lit, and the lamp goes on or off "
        "between two readings.",
        allow_none=True,
    )
    lux_hours = Measure("lx.h", allow_none=True)
    dli = Measure(
        "mol/m2/d",
        "Daily light integral of what was seen.",
        attribute="dli_mol_m2_d",
        allow_none=True,
    )
    dli_most = Measure(
        "mol/m2/d",
        "The same had the lamp been on in all that was not seen.",
        attribute="dli_high_mol_m2_d",
        allow_none=True,
    )
    ppfd_peak = Measure(
        "umol/m2/s", "Highest of the day.", attribute="ppfd_peak_umol_m2_s", allow_none=True
    )
    ppfd_from = Text("`sensor`, or the factor from lux.")
    degree_hours_lit = Measure(
        "K.h",
        "Temperature above the base while lit.",
        attribute="degree_hours_lit_k_h",
        allow_none=True,
    )
    co2_within = Fraction(
        "Of the lit time with CO2 within its target, as far as CO2 is known.",
        attribute="co2_within_share",
        allow_none=True,
    )
    co2_known = Fraction(
        "Of the lit time for which CO2 is known.", attribute="co2_known_share", allow_none=True
    )
    target = Range("mol/m2/d", "Daily light integral, target for the plants.")
    planned = Measure("h", "Length of the planned photoperiod.")
    reasons = Items(Text(longest=1000), REASONS)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.query(LightOptionsSchema)
@blueprint.answers(200, LightDaySchema)
def light(options: dict[str, Any], tank: str) -> With:
    """The light of one local day: photoperiod, lux-hours, PPFD, daily light integral"""
    context = current()
    found = context.registry.tank(tank)
    present = now()
    today = local_day(found, present)
    day: date = options.get("date") or today
    measured = light_day(
        load_day(found, context.registry, context.store, day, present), day, present
    )
    plan = With(
        measured,
        tank=tank,
        target=(found.targets.dli_low_mol_m2_d, found.targets.dli_high_mol_m2_d),
        planned=found.light.photoperiod_h,
        photoperiod_range=None
        if measured is None
        else (measured.photoperiod_low_h, measured.photoperiod_high_h),
        reasons=_reasons(measured, day, today),
    )
    if measured is None:
        return With(plan, day=day, complete=day < today, covered_share=0.0, lit=(), ppfd_from="")
    return plan


def _reasons(measured: LightDay | None, day: date, today: date) -> list[str]:
    if measured is None:
        return ["this day is still to come" if day > today else "no light was measured on this day"]
    return [measured.reason] if measured.reason else []
