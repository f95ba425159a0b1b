"""``/v1/absences``: when the tank keeper is away, and who looks after the tanks."""

from __future__ import annotations

import secrets
from dataclasses import replace
from typing import Any, Final

from flask import Response
from flask.views import MethodView

from service.api.context import current
from service.api.http.blueprint import LIST_BYTES, Blueprint
from service.api.http.etag import ETAG, IF_CHANGED, IF_MATCH, precondition, tagged
from service.api.http.problems.faults import invalid_field
from service.registry.database.versions import Stored
from service.registry.fields.absence import AbsenceSchema
from service.registry.fields.limits import MOST_ABSENCES
from service.registry.models.absence import Absence
from service.schemas.base import Items, Schema, ValueSchema
from service.schemas.fields import Text

blueprint = Blueprint(
    "absences", __name__, url_prefix="/v1", description="When the tank keeper is away."
)


class AbsencesSchema(Schema):
    """All absences, earliest first."""

    absences = Items(AbsenceSchema, required=True, longest=MOST_ABSENCES)
    next = Text(allow_none=True, dump_only=True)


_ABSENCES: Final = AbsencesSchema()


class AbsencesInSchema(ValueSchema):
    """All absences; they replace those that were there."""

    makes = dict

    absences = Items(AbsenceSchema, required=True, longest=MOST_ABSENCES)
    next = Text(allow_none=True, dump_only=True)


@blueprint.at("/absences")
class AbsencesView(MethodView):
    """Absences of the tank keeper."""

    @blueprint.answers(200, AbsencesSchema, headers=ETAG)
    @blueprint.also_answers(304, description="Still of the version that If-None-Match names.")
    @blueprint.headers(IF_CHANGED)
    def get(self) -> Response:
        """All absences, earliest first"""
        return _answer(current().registry.stored_absences())

    @blueprint.body(
        AbsencesInSchema,
        example={
            "absences": [
                {
                    "start": "2025-07-01T06:00:00Z",
                    "end": "2025-07-21T18:00:00Z",
                    "covers": "the colleague",
                }
            ]
        },
    )
    @blueprint.takes_up_to(LIST_BYTES)
    @blueprint.answers(200, AbsencesSchema, headers=ETAG)
    @blueprint.also_answers(412, description="Another version is there.")
    @blueprint.headers(IF_MATCH)
    def put(self, body: dict[str, Any]) -> Response:
        """Replace the list of absences as a whole"""
        context = current()
        known = context.registry.tank_ids()
        for number, absence in enumerate(body["absences"]):
            for place, tank in enumerate(absence.tanks):
                if tank not in known:
                    at = f"/absences/{number}/tanks/{place}"
                    raise invalid_field(at, tank, "the id of a registered tank")
        absences = [with_id(absence) for absence in body["absences"]]
        return _answer(context.registry.put_absences(absences, only_if=precondition()))


def _answer(stored: Stored[list[Absence]]) -> Response:
    body = _ABSENCES.dump({"absences": stored.value, "next": None})
    return tagged(body, tag=stored.version)


def with_id(absence: Absence) -> Absence:
    """The absence with an id of its own, where it has none."""
    if absence.id:
        return absence
    return replace(absence, id=secrets.token_hex(8))
