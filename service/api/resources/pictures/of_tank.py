"""``/v1/tanks/{tank}/pictures``: the pictures of a tank, and each of them."""

from __future__ import annotations

from dataclasses import astuple
from typing import Any, Final

from flask import Response
from flask.views import MethodView

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.etag import ETAG, IF_CHANGED
from service.api.http.pagination import page_by_key
from service.api.http.path_parameters import PICTURE, TANK
from service.api.resources.pictures.files import JPEG, PICTURE_SCHEMA, file_response
from service.api.resources.pictures.schemas import PicturesPageSchema, shown
from service.registry.models.pictures import PicturePlace
from service.schemas.base import Schema
from service.schemas.fields import Whole
from service.schemas.keys import KEY_ID, KEY_MOMENT, KEY_MOMENT_OR_NONE, KEY_WHOLE, Key
from service.schemas.times import Moment

blueprint = Blueprint(
    "pictures",
    __name__,
    url_prefix="/v1/tanks/<tank>/pictures",
    description="Photographs of log entries.",
)
_LOST = "There is none of this id, or its file is lost or damaged."


AFTER: Final = Key(KEY_MOMENT, KEY_MOMENT_OR_NONE, KEY_WHOLE, KEY_WHOLE, KEY_ID)


class PictureOptionsSchema(Schema):
    """Which pictures."""

    start = Moment("Only of entries from this moment on.")
    end = Moment("Only of entries before this moment.")
    after = AFTER
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.query(PictureOptionsSchema)
@blueprint.answers(200, PicturesPageSchema)
def pictures(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """The pictures of a tank, of the newest entry first"""
    registry = current().registry
    registry.tank(tank)
    limit = options.pop("limit")
    if "after" in options:
        options["after"] = PicturePlace(*options["after"])
    found = registry.pictures(tank, **options, limit=limit + 1)
    ones, more = page_by_key(found, limit, lambda one: AFTER.text_of(astuple(one.place)))
    return {"tank": tank, "pictures": shown(ones), "next": more}


@blueprint.at("/<picture>", parameters=[*TANK, *PICTURE])
class PictureView(MethodView):
    """One picture."""

    @blueprint.answers(200, PICTURE_SCHEMA, content_type=JPEG, description="JPEG.", headers=ETAG)
    @blueprint.also_answers(304, description="Still of the version that the client has.")
    @blueprint.also_answers(404, description=_LOST)
    @blueprint.headers(IF_CHANGED)
    def get(self, tank: str, picture: str) -> Response:
        """A picture, as JPEG without metadata"""
        return file_response(current().registry.picture(tank, picture), small=False)

    @blueprint.answers(204, description="Deleted.")
    def delete(self, tank: str, picture: str) -> tuple[str, int]:
        """Delete a picture; its log entry stays"""
        current().registry.delete_picture(tank, picture)
        current().pictures.remove_deleted()
        return "", 204


@blueprint.at("/<picture>/thumbnail", "GET", parameters=[*TANK, *PICTURE])
@blueprint.answers(200, PICTURE_SCHEMA, content_type=JPEG, description="JPEG.", headers=ETAG)
@blueprint.also_answers(304, description="Still of the version that the client has.")
@blueprint.also_answers(404, description=_LOST)
@blueprint.headers(IF_CHANGED)
def thumbnail(tank: str, picture: str) -> Response:
    """The thumbnail of a picture, as JPEG"""
    return file_response(current().registry.picture(tank, picture), small=True)
