"""``/v1/handover/return``: the report on an absence, for whoever comes back."""

from __future__ import annotations

from typing import Any, Final

from flask import Response

from service.advice.engine.documents import RecommendationSchema
from service.advice.handover.absence import Asked, absence_begun, report_of, tanks_of
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.negotiation import HTML, JSON, accepted
from service.api.http.responses import as_json
from service.api.resources.handover import html
from service.api.resources.handover.schemas import AwaySchema, HandoverOptionsSchema
from service.api.resources.pictures.schemas import PictureSchema, ShownPictures
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested
from service.schemas.fields import Text
from service.schemas.times import Moment, TimeZone

blueprint = Blueprint(
    "return-report", __name__, url_prefix="/v1/handover", description="Report on an absence."
)

_LONG: Final = 2000


class OccurrenceSchema(AnswerSchema):
    """Something that happened or was done."""

    time = Moment()
    text = Text(longest=_LONG, lines=True)


class TankReturnSchema(AnswerSchema):
    """One tank's report."""

    tank = Text()
    name = Text()
    time_zone = TimeZone()
    happened = Items(OccurrenceSchema, "Excursions and what opened, in order of time.")
    done = Items(OccurrenceSchema, "From the log, oldest first.")
    open = Items(RecommendationSchema, "What is open now, most urgent first.")
    changed = Items(Text(longest=_LONG), "CO2, light and KH at the end against before.")
    pictures = ShownPictures(
        PictureSchema,
        "The first and the last of the absence; the first is the last one before it, if any.",
    )
    tried = Items(Text(longest=20_000), "The results of the trials that were running.")


class ReturnSchema(AnswerSchema):
    """Report on an absence."""

    absence = Nested(AwaySchema)
    prepared = Moment()
    tanks = Items(TankReturnSchema, "By id.")


_RETURN: Final = ReturnSchema()


class ReturnOptionsSchema(HandoverOptionsSchema):
    """Which absence the report is about."""


@blueprint.at("/return", "GET")
@blueprint.query(ReturnOptionsSchema)
@blueprint.answers(200, ReturnSchema)
@blueprint.also_answers(404, description="No such absence or tank.")
@blueprint.also_answers(406, description="None of the forms that there are.")
@blueprint.also_answers(503, description="The store of readings is not available.")
@blueprint.described(responses={200: {"content": {HTML: {"schema": {"type": "string"}}}}})
def return_report(options: dict[str, Any]) -> Response:
    """What happened during an absence, what was done, what is open and what changed

    Without options, of the absence that began last, so far or up to its end. JSON, or a page by
    `Accept`.
    """
    context = current()
    kind = accepted([JSON, HTML])
    asked = Asked(**options)
    absence = absence_begun(asked, context.registry, now())
    tanks = tanks_of(absence, context.registry, asked.tank)
    report = report_of(absence, tanks, context.registry, context.store, now(), context.drifts)
    as_html = kind == HTML
    response = html.current().report_page(report) if as_html else as_json(_RETURN.dump(report))
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Accept"
    return response
