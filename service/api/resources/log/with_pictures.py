"""``POST /v1/tanks/{tank}/pictures``: a log entry with its photographs, as a form."""

from __future__ import annotations

from typing import Final

from flask import Response

from service.api.http.blueprint import PICTURES_BYTES, Blueprint
from service.api.http.path_parameters import TANK
from service.api.resources.log.entries import logged
from service.api.resources.log.schemas import ENTRY_REFERENCE
from service.api.resources.pictures.uploads import document_and_pictures, form_body

ENTRY_PART: Final = "entry"
blueprint = Blueprint(
    "log_with_pictures",
    __name__,
    url_prefix="/v1/tanks/<tank>/pictures",
    description="Photographs of log entries.",
)


@blueprint.at("", "POST", parameters=TANK)
@blueprint.answers(201, ENTRY_REFERENCE)
@blueprint.also_answers(409, description="Another entry has this id, or it has other pictures.")
@blueprint.also_answers(507, description="The disk takes no picture.")
@blueprint.described(requestBody=form_body(**{ENTRY_PART: ENTRY_REFERENCE}))
@blueprint.takes_up_to(PICTURES_BYTES)
def entry_with_pictures(tank: str) -> Response:
    """Log what was done or seen, with photographs

    A form: the entry's JSON, as for `POST /v1/tanks/{tank}/log`, is the part `entry`; each
    photograph is a part `picture`. An entry sent again under its `id` with the same pictures is
    stored once.
    """
    body, files = document_and_pictures(ENTRY_PART)
    return logged(tank, body, files)
