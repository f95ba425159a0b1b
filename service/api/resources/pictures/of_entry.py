"""``/v1/tanks/{tank}/log/{entry}/pictures``: pictures added to an entry that is there."""

from __future__ import annotations

from typing import Any

from flask import Response
from flask.views import MethodView

from service.api.context import current
from service.api.http.blueprint import PICTURES_BYTES, Blueprint
from service.api.http.path_parameters import ENTRY, TANK
from service.api.http.responses import as_json
from service.api.resources.pictures.schemas import PicturesSchema, as_documents, shown
from service.api.resources.pictures.uploads import form_body, pictures_alone
from service.errors import NotFoundError

blueprint = Blueprint(
    "entry_pictures",
    __name__,
    url_prefix="/v1/tanks/<tank>/log/<entry>/pictures",
    description="Photographs of log entries.",
)


@blueprint.at("", parameters=[*TANK, *ENTRY])
class EntryPicturesView(MethodView):
    """The pictures of an entry."""

    @blueprint.answers(200, PicturesSchema)
    def get(self, tank: str, entry: str) -> dict[str, Any]:
        """The pictures of a log entry"""
        registry = current().registry
        _require_entry(tank, entry)
        return {"tank": tank, "pictures": shown(registry.pictures(tank, entries=[entry]))}

    @blueprint.answers(201, PicturesSchema)
    @blueprint.also_answers(507, description="The disk takes no picture.")
    @blueprint.described(requestBody=form_body())
    @blueprint.takes_up_to(PICTURES_BYTES)
    def post(self, tank: str, entry: str) -> Response:
        """Add pictures to a log entry

        Answers with all that the entry has. A picture that is sent again is stored once.
        """
        context = current()
        _require_entry(tank, entry)
        with context.pictures.taken(pictures_alone(), entry) as sent:
            context.registry.add_pictures(tank, entry, sent)
        found = context.registry.pictures(tank, entries=[entry])
        return as_json({"tank": tank, "pictures": as_documents(found)}, 201)


def _require_entry(tank: str, id: str) -> None:
    registry = current().registry
    registry.tank(tank)
    if registry.log_entry(id).tank != tank:
        raise NotFoundError(f"log entry is {id!r}; allowed: the id of an entry of {tank}")
