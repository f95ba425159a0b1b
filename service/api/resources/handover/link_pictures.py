"""``/shared/{secret}/pictures/{picture}``: what was sent with a link, to whoever has it."""

from __future__ import annotations

from typing import Final

from flask import Response

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.etag import ETAG, IF_CHANGED
from service.api.http.path_parameters import PICTURE, SECRET
from service.api.resources.handover.reporting import reporting_link, reports_with
from service.api.resources.pictures.files import JPEG, file_response
from service.errors import NotFoundError

blueprint = Blueprint(
    "link_pictures",
    __name__,
    url_prefix="/shared/<secret>/pictures/<picture>",
    description="Photographs that came with a sharing link.",
)
_BYTES: Final = {"type": "string", "contentMediaType": JPEG}
_NONE: Final = "There is no such link, it sent no such picture, or its file is lost or damaged."
_SAME: Final = "Still of the version that the client has."
_GONE: Final = "The link has expired or was revoked."


@blueprint.at("", "GET", parameters=[*SECRET, *PICTURE])
@blueprint.answers(200, _BYTES, content_type=JPEG, description="JPEG.", headers=ETAG)
@blueprint.also_answers(304, description=_SAME)
@blueprint.also_answers(403, description="The link takes no reports.")
@blueprint.also_answers(404, description=_NONE)
@blueprint.also_answers(410, description=_GONE)
@blueprint.headers(IF_CHANGED)
def picture(secret: str, picture: str) -> Response:
    """A picture that was sent with a sharing link, as JPEG"""
    return _file(secret, picture, small=False)


@blueprint.at("/thumbnail", "GET", parameters=[*SECRET, *PICTURE])
@blueprint.answers(200, _BYTES, content_type=JPEG, description="JPEG.", headers=ETAG)
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
