"""``/v1/handover/return``: what came of an absence, for whoever comes back."""

from __future__ import annotations

from typing import Any, Final

from flask import Response

from service.advice.engine.documents import recommendation_document
from service.advice.handover.absence import Asked, absence_begun, report_of, tanks_of
from service.advice.handover.return_report import ReportLine, ReturnReport, TankReturn
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.negotiation import HTML, JSON, accepted
from service.api.http.responses import as_json
from service.api.resources.handover import html
from service.api.resources.handover.schemas import AwaySchema, HandoverOptionsSchema, away_document
from service.api.resources.recommendations import RecommendationSchema
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Text
from service.schemas.times import Moment, TimeZone
from service.times import format_moment

blueprint = Blueprint(
    "homecoming", __name__, url_prefix="/v1/handover", description="What came of an absence."
)

_LONG: Final = 2000


class ToldSchema(Schema):
    """Something that happened or was done."""

    time = Moment(required=True)
    text = Text(longest=_LONG, lines=True, required=True)


class TankReturnSchema(Schema):
    """One tank's report."""

    tank = Text(required=True)
    name = Text(required=True)
    time_zone = TimeZone(required=True)
    happened = Items(ToldSchema, "Excursions and what opened, in order of time.", required=True)
    done = Items(ToldSchema, "What the log says, oldest first.", required=True)
    open = Items(RecommendationSchema, "What stands open now, weightiest first.", required=True)
    changed = Items(
        Text(longest=_LONG), "CO2, light and KH at the end against before.", required=True
    )


class ReturnSchema(Schema):
    """What came of an absence."""

    absence = Nested(AwaySchema, required=True)
    prepared = Moment(required=True)
    tanks = Items(TankReturnSchema, "By id.", required=True)


class ReturnOptionsSchema(HandoverOptionsSchema):
    """Which absence is looked back on."""


@blueprint.at("/return", "GET")
@blueprint.query(ReturnOptionsSchema)
@blueprint.answers(200, ReturnSchema)
@blueprint.also_answers(404, description="No such absence or tank.")
@blueprint.also_answers(406, description="None of the forms that there are.")
@blueprint.also_answers(503, description="The store of readings is away.")
@blueprint.described(responses={200: {"content": {HTML: {"schema": {"type": "string"}}}}})
def homecoming(options: dict[str, Any]) -> Response:
    """What happened during an absence, what was done, what is open and what changed

    Without options, of the absence that began last, so far or up to its end. JSON, or a page by
    `Accept`.
    """
    parts = current()
    kind = accepted([JSON, HTML])
    asked = Asked(**options)
    absence = absence_begun(asked, parts.registry, now())
    tanks = tanks_of(absence, parts.registry, asked.tank)
    report = report_of(absence, tanks, parts.registry, parts.store, now())
    as_html = kind == HTML
    response = html.current().report(report) if as_html else as_json(report_document(report))
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Accept"
    return response


def report_document(report: ReturnReport) -> dict[str, Any]:
    """A whole report."""
    return {
        "absence": away_document(report.absence),
        "prepared": format_moment(report.prepared),
        "tanks": [_tank(one) for one in report.tanks],
    }


def _tank(report: TankReturn) -> dict[str, Any]:
    return {
        "tank": report.tank,
        "name": report.name,
        "time_zone": report.time_zone,
        "happened": [_told(one) for one in report.happened],
        "done": [_told(one) for one in report.done],
        "open": [recommendation_document(one) for one in report.open],
        "changed": list(report.changed),
    }


def _told(one: ReportLine) -> dict[str, str]:
    return {"time": format_moment(one.time), "text": one.text}
