"""``/v1/handover``: the sheet for a colleague as JSON, as a page that prints, as a calendar."""

from __future__ import annotations

from typing import Any, Final

from flask import Response

from service.advice.handover.absence import Asked, absence_asked, sheet_of, tanks_of
from service.advice.handover.sheet import HandoverSheet
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.negotiation import CALENDAR, HTML, JSON, accepted
from service.api.http.public_address import tank_page_address
from service.api.http.responses import as_json
from service.api.resources.handover import html
from service.api.resources.handover.schemas import HandoverFormOptionsSchema, HandoverSchema
from service.integrations.calendar.handover import sheet_calendar
from service.integrations.calendar.tasks import Form

blueprint = Blueprint(
    "handover",
    __name__,
    url_prefix="/v1",
    description="The handover sheet of an absence.",
)

MEDIA_TYPES: Final = (JSON, HTML, CALENDAR)
OTHER_FORMS: Final = {
    200: {
        "content": {HTML: {"schema": {"type": "string"}}, CALENDAR: {"schema": {"type": "string"}}}
    }
}
_HANDOVER: Final = HandoverSchema()
_AWAY: Final = "No such absence or tank."
_STORE: Final = "The store of readings is not available."


@blueprint.at("/handover", "GET")
@blueprint.query(HandoverFormOptionsSchema)
@blueprint.answers(200, HandoverSchema)
@blueprint.also_answers(404, description=_AWAY)
@blueprint.also_answers(406, description="None of the forms that there are.")
@blueprint.also_answers(503, description=_STORE)
@blueprint.described(responses=OTHER_FORMS)
def handover(options: dict[str, Any]) -> Response:
    """The handover sheet of an absence, as JSON, HTML or iCalendar by `Accept`

    Of each tank: its state, the dated tasks with amounts, the limits at which to act and what to
    do then, what to leave alone, cautions, and the tank keeper's notes. `text/html` is the sheet
    that prints on one page per tank, `text/calendar` its tasks with reminders.
    """
    kind = accepted(MEDIA_TYPES)
    return sheet_answer(_sheet(options), kind, options["form"])


@blueprint.at("/handover.ics", "GET")
@blueprint.query(HandoverFormOptionsSchema)
@blueprint.answers(
    200, {"type": "string"}, description="iCalendar (RFC 5545).", content_type=CALENDAR
)
@blueprint.also_answers(404, description=_AWAY)
@blueprint.also_answers(503, description=_STORE)
def handover_calendar(options: dict[str, Any]) -> Response:
    """The tasks of the handover sheet as a calendar, for calendars that send no `Accept`"""
    return sheet_answer(_sheet(options), CALENDAR, options["form"])


def sheet_answer(
    sheet: HandoverSheet, kind: str, form: str = "events", *, shared: str = ""
) -> Response:
    """A sheet in one of its media types.

    Args:
        shared: the address of the sharing link that shows it.
    """
    if kind == JSON:
        response = as_json(_HANDOVER.dump(sheet))
    elif kind == HTML:
        response = html.current().sheet_page(sheet, shared=bool(shared))
    else:
        response = Response(
            sheet_calendar(sheet, lambda tank: shared or tank_page_address(tank), Form(form)),
            content_type=f"{CALENDAR}; charset=utf-8",
            headers={"Content-Disposition": 'inline; filename="handover.ics"'},
        )
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Vary"] = "Accept"
    return response


def _sheet(options: dict[str, Any]) -> HandoverSheet:
    context = current()
    given = {name: text for name, text in options.items() if name != "form"}
    asked = Asked(**given)
    absence = absence_asked(asked, context.registry, now())
    tanks = tanks_of(absence, context.registry, asked.tank)
    return sheet_of(absence, tanks, context.registry, context.store, now(), context.drifts)
