"""``/shared/{secret}/pictures``: reports with photographs, and those that came with a link."""

from __future__ import annotations

from typing import Any, Final

from flask import Response
from marshmallow import ValidationError

from service.api.context import current
from service.api.http.blueprint import PICTURES_BYTES, Blueprint
from service.api.http.etag import ETAG, IF_CHANGED
from service.api.http.path_parameters import PICTURE, SECRET
from service.api.http.problems.faults import invalid_body
from service.api.resources.handover.link_reports import ReportInSchema, ReportSchema
from service.api.resources.handover.reporting import reporting_link, reports_with, taken
from service.api.resources.pictures.files import JPEG, PICTURE_SCHEMA, file_response
from service.api.resources.pictures.uploads import document_and_pictures, form_body
from service.errors import NotFoundError
from service.schemas.answers import With

blueprint = Blueprint(
    "link_pictures",
    __name__,
    url_prefix="/shared/<secret>/pictures",
    description="Photographs that came with a sharing link.",
)
REPORT_PART: Final = "report"
_NONE: Final = "There is no such link, it sent no such picture, or its file is lost or damaged."
_SAME: Final = "Still of the version that the client has."
_GONE: Final = "The link has expired or was revoked."


_REPORT: Final = ReportInSchema()


@blueprint.at("", "POST", parameters=SECRET)
@blueprint.described(requestBody=form_body(**{REPORT_PART: ReportInSchema}))
@blueprint.takes_up_to(PICTURES_BYTES)
@blueprint.answers(200, ReportSchema)
@blueprint.also_answers(403, description="The link takes no reports.")
@blueprint.also_answers(404, description="There is no such link.")
@blueprint.also_answers(409, description="The task was reported before.")
@blueprint.also_answers(410, description=_GONE)
@blueprint.also_answers(503, description="Other pictures are being read.")
@blueprint.also_answers(507, description="The disk takes no picture.")
def report(secret: str) -> With:
    """Report a task of the sheet as done, a note or an observation, with photographs

    A form: the report's JSON, as for `POST /shared/{secret}/reports`, is the part `report`; each
    photograph is a part `picture`. A photograph may also be all there is.
    """
    link = reporting_link(secret)
    body, files = document_and_pictures(REPORT_PART)
    try:
        loaded: dict[str, Any] = _REPORT.load(body)
    except ValidationError as error:
        raise invalid_body(error.messages) from error
    stored, fresh = taken(link, **loaded, files=files)
    return With(stored, fresh=fresh)


@blueprint.at("/<picture>", "GET", parameters=[*SECRET, *PICTURE])
@blueprint.answers(200, PICTURE_SCHEMA, content_type=JPEG, description="JPEG.", headers=ETAG)
@blueprint.also_answers(304, description=_SAME)
@blueprint.also_answers(403, description="The link takes no reports.")
@blueprint.also_answers(404, description=_NONE)
@blueprint.also_answers(410, description=_GONE)
@blueprint.headers(IF_CHANGED)
def picture(secret: str, picture: str) -> Response:
    """A picture that was sent with a sharing link, as JPEG"""
    return _file(secret, picture, small=False)


@blueprint.at("/<picture>/thumbnail", "GET", parameters=[*SECRET, *PICTURE])
@blueprint.answers(200, PICTURE_SCHEMA, content_type=JPEG, description="JPEG.", headers=ETAG)
@blueprint.also_answers(304, description=_SAME)
@blueprint.also_answers(403, description="The link takes no reports.")
@blueprint.also_answers(404, description=_NONE)
@blueprint.also_answers(410, description=_GONE)
@blueprint.headers(IF_CHANGED)
def thumbnail(secret: str, picture: str) -> Response:
    """The thumbnail of a picture that was sent with a sharing link"""
    return _file(secret, picture, small=True)


def _file(secret: str, id: str, *, small: bool) -> Response:
    link = reporting_link(secret)
    found = current().registry.picture(link.tank, id)
    if found.entry not in {one.entry for one in reports_with(link)}:
        raise NotFoundError(f"picture is {id!r:.40}; allowed: one that came with this link")
    response = file_response(found, small=small)
    response.headers["X-Robots-Tag"] = "noindex"
    return response
