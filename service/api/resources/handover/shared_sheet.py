"""``/shared/{secret}``: one tank's handover sheet for whoever has a sharing link, and no more."""

from __future__ import annotations

from typing import Final

from flask import Response, request

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.negotiation import CALENDAR, HTML, accepted, prefers_pages
from service.api.http.path_parameters import SECRET
from service.api.resources.handover import html
from service.api.resources.handover.reporting import address_of, sheet_of_link
from service.api.resources.handover.schemas import HandoverSchema
from service.api.resources.handover.sheet import MEDIA_TYPES, OTHER_FORMS, sheet_answer
from service.errors import LittoralError

_NONE: Final = "There is no such link."
_OVER: Final = "The link has expired or was revoked."

blueprint = Blueprint(
    "shared", __name__, url_prefix="/shared", description="What a sharing link shows."
)


@blueprint.at("/<secret>", "GET", parameters=SECRET)
@blueprint.answers(200, HandoverSchema)
@blueprint.also_answers(404, description=_NONE)
@blueprint.also_answers(406, description="None of the forms that there are.")
@blueprint.also_answers(410, description=_OVER)
@blueprint.also_answers(503, description="The store of readings is not available.")
@blueprint.described(responses=OTHER_FORMS)
def shared_sheet(secret: str) -> Response:
    """The sheet that a sharing link shows, as HTML (the usual form), JSON or iCalendar

    The secret in the address is all it takes; it opens nothing else.
    """
    kind = accepted(sorted(MEDIA_TYPES, key=lambda one: one != HTML))
    try:
        link = current().registry.share_of(secret, now())
        sheet = sheet_of_link(link)
        if kind == HTML and link.may_report:
            return html.current().link_page(link, request.path, sheet)
    except LittoralError as error:
        if not prefers_pages():
            raise
        return html.current().link_refusal(error)
    return _unlisted(sheet_answer(sheet, kind, shared=address_of(secret)))


@blueprint.at("/<secret>.ics", "GET", parameters=SECRET)
@blueprint.answers(
    200, {"type": "string"}, description="iCalendar (RFC 5545).", content_type=CALENDAR
)
@blueprint.also_answers(404, description=_NONE)
@blueprint.also_answers(410, description=_OVER)
@blueprint.also_answers(503, description="The store of readings is not available.")
def shared_calendar(secret: str) -> Response:
    """The tasks of that sheet as a calendar to subscribe to"""
    link = current().registry.share_of(secret, now())
    return _unlisted(sheet_answer(sheet_of_link(link), CALENDAR, shared=address_of(secret)))


def _unlisted(response: Response) -> Response:
    """Not for search engines, even where somebody puts the link on a page."""
    response.headers["X-Robots-Tag"] = "noindex"
    return response
