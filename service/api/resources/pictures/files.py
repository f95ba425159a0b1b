"""The file of a picture as a response: for one caller, never run, revalidated by its tag."""

from __future__ import annotations

from typing import Final

from flask import Response, request

from service.api.context import current
from service.api.http.security_headers import NO_PAGE, POLICY
from service.registry.models.pictures import Picture

JPEG: Final = "image/jpeg"
PICTURE_SCHEMA: Final = {"type": "string", "format": "binary", "contentMediaType": JPEG}
"""Of the file in the document; ``format`` is what generators of clients look for."""


def file_response(picture: Picture, *, small: bool) -> Response:
    """The picture, or its thumbnail; 304 without a body where the client has it already.

    Raises:
        LostPictureError: its file is lost or damaged.
    """
    stored = picture.thumbnail if small else picture.file
    response = Response(current().pictures.content(picture, small=small), mimetype=JPEG)
    response.headers[POLICY] = f"{NO_PAGE}; sandbox"
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers["Content-Disposition"] = f'inline; filename="{picture.id}.jpg"'
    response.set_etag(stored.sha256[:32])
    response.make_conditional(request)
    return response
