"""``/v1/tanks/{tank}/light``: the light of one day."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.schemas.measured import REASONS
from service.derive.light import light_day
from service.derive.loader import load_day
from service.derive.local_time import local_day
from service.derive.models import LightDay
from service.registry.models import Tank
from service.schemas.base import Items, Schema
from service.schemas.fields import Text, YesNo
from service.schemas.quantities import Measure, Share
from service.schemas.ranges import Range
from service.schemas.times import Day, Moment

blueprint = Blueprint(
    "light", __name__, url_prefix="/v1/tanks/<tank>/light", description="The light of a tank."
)


class LightOptionsSchema(Schema):
    """Which day."""

    date = Day("Local day of the tank; default: today.")


class LitSchema(Schema):
    """From on to off."""

    start = Moment(required=True)
    end = Moment(required=True)


class LightDaySchema(Schema):
    """The light of one local day; null where it is not measured."""

    tank = Text(required=True)
    date = Day("Local day of the tank.", required=True)
    complete = YesNo("The day is over.", required=True)
    covered = Share("Of the day so far, for which there are readings.", required=True)
    lit = Items(LitSchema, "When the tank was lit.", required=True)
    on = Moment("First on; null: not seen.", allow_none=True, required=True)
    off = Moment("Last off; null: not seen.", allow_none=True, required=True)
    photoperiod = Measure("h", "Lit so far.", allow_none=True, required=True)
    lux_hours = Measure("lx.h", allow_none=True, required=True)
    dli = Measure("mol/m2/d", "Daily light integral.", allow_none=True, required=True)
    ppfd_peak = Measure("umol/m2/s", "Highest of the day.", allow_none=True, required=True)
    ppfd_from = Text("`sensor`, or the factor from lux.", required=True)
    degree_hours_lit = Measure(
        "K.h", "Temperature above the base while lit.", allow_none=True, required=True
    )
    co2_within = Share(
        "Of the lit time with CO2 within its target.", allow_none=True, required=True
    )
    target = Range("mol/m2/d", "Daily light integral that the plants want.", required=True)
    planned = Measure("h", "Length of the planned photoperiod.", required=True)
    reasons = Items(Text(longest=1000), REASONS, required=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.query(LightOptionsSchema)
@blueprint.answers(200, LightDaySchema)
def light(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """The light of one local day: photoperiod, lux-hours, PPFD, daily light integral"""
    parts = current()
    found = parts.registry.tank(tank)
    present = now()
    day: date = options.get("date") or local_day(found, present)
    measured = light_day(load_day(found, parts.registry, parts.store, day, present), day, present)
    answer = {
        "tank": tank,
        "date": day,
        "target": (found.plants.dli_low_mol_m2_d, found.plants.dli_high_mol_m2_d),
        "planned": found.photoperiod.hours,
    }
    if measured is None:
        return answer | _unknown(day, local_day(found, present))
    return answer | _known(found, measured)


def _known(tank: Tank, day: LightDay) -> dict[str, Any]:
    reasons = []
    if day.covered_share < 1:
        percent = 100 * day.covered_share
        reasons.append(f"light readings cover {percent:.0f} % of the day so far")
    return {
        "complete": day.complete,
        "covered": day.covered_share,
        "lit": [{"start": start, "end": end} for start, end in day.lit],
        "on": day.on_at,
        "off": day.off_at,
        "photoperiod": day.photoperiod_h,
        "lux_hours": day.lux_hours,
        "dli": day.dli_mol_m2_d,
        "ppfd_peak": day.ppfd_peak_umol_m2_s,
        "ppfd_from": day.ppfd_from,
        "degree_hours_lit": day.degree_hours_lit_k_h,
        "co2_within": day.co2_within_share,
        "reasons": reasons,
    }


def _unknown(day: date, today: date) -> dict[str, Any]:
    why = "this day is still to come" if day > today else "no light was measured on this day"
    return {
        "complete": day < today,
        "covered": 0.0,
        "lit": [],
        "on": None,
        "off": None,
        "photoperiod": None,
        "lux_hours": None,
        "dli": None,
        "ppfd_peak": None,
        "ppfd_from": "",
        "degree_hours_lit": None,
        "co2_within": None,
        "reasons": [why],
    }
