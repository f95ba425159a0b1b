"""``/v1/tanks`` and ``/v1/tanks/{tank}``."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from flask import Response, request
from flask.views import MethodView
from marshmallow import ValidationError

from service.advice.engine.history.ledger import Ledger
from service.api.context import current, now
from service.api.http.blueprint import DOCUMENT_BYTES, Blueprint
from service.api.http.etag import ETAG, IF_CHANGED, IF_MATCH, IF_NEW, precondition, tagged
from service.api.http.json_text import read_json
from service.api.http.merge_patch import merged
from service.api.http.pagination import page_by_key
from service.api.http.path_parameters import TANK
from service.api.http.problems.faults import error_of, invalid_body, invalid_field
from service.api.resources.tanks.schemas import TankPageSchema, TankSchema, TanksSchema
from service.errors import FieldFault, Refusal
from service.registry.database.versions import Stored
from service.registry.models.tank import Tank
from service.schemas.base import Schema
from service.schemas.fields import Choice, Name, is_name

MERGE_PATCH: Final = "application/merge-patch+json"
_TANK: Final = TankSchema()
_TANKS: Final = TanksSchema()
_PATCH_BODY: Final = {
    "required": True,
    "description": "RFC 7386: members given replace, null removes, others stay.",
    "content": {
        kind: {
            "schema": {"$ref": "#/components/schemas/TankPatch"},
            "example": {"light": {"start": "11:00"}},
        }
        for kind in (MERGE_PATCH, "application/json")
    },
}

blueprint = Blueprint(
    "tanks", __name__, url_prefix="/v1", description="The tanks and what is planned for them."
)


class DeleteSchema(Schema):
    """What to do with the tank's readings."""

    readings = Choice(
        "Readings stay in the store, or are deleted with the tank.",
        words=("keep", "delete"),
        load_default="keep",
    )


@blueprint.at("/tanks", "GET")
@blueprint.query(TankPageSchema)
@blueprint.answers(200, TanksSchema)
def tanks(options: dict[str, Any]) -> Response:
    """The tanks, by id, a page at a time"""
    limit = options["limit"]
    found = current().registry.tanks(after=options.get("after"), limit=limit + 1)
    shown, more = page_by_key(found, limit, lambda one: one.id)
    return tagged(_TANKS.dump({"tanks": shown, "next": more}))


@blueprint.at("/tanks/<tank>", parameters=TANK)
class TankResource(MethodView):
    """One tank."""

    @blueprint.answers(200, TankSchema, headers=ETAG)
    @blueprint.also_answers(304, description="Still of the version that If-None-Match names.")
    @blueprint.headers(IF_CHANGED)
    def get(self, tank: str) -> Response:
        """One tank"""
        return _answer(current().registry.stored_tank(tank))

    @blueprint.body(TankSchema)
    @blueprint.takes_up_to(DOCUMENT_BYTES)
    @blueprint.answers(200, TankSchema, headers=ETAG)
    @blueprint.also_answers(201, TankSchema, description="The tank is new.")
    @blueprint.also_answers(412, description="Another version is there.")
    @blueprint.headers(IF_MATCH, IF_NEW)
    def put(self, value: Tank, tank: str) -> Response:
        """Register a tank, or replace one as a whole

        Members left out take their defaults. Members that are only shown are ignored, so that
        what was read can be sent back.
        """
        _check_id(tank)
        if value.id not in ("", tank):
            raise invalid_field("/id", value.id, f"{tank}, as in the address")
        stored = current().registry.put_tank(
            replace(value, id=tank), now=now(), only_if=precondition()
        )
        current().nudge()
        return _answer(stored)

    @blueprint.answers(200, TankSchema, headers=ETAG)
    @blueprint.also_answers(412, description="Another version is there.")
    @blueprint.headers(IF_MATCH)
    @blueprint.described(requestBody=_PATCH_BODY)
    @blueprint.takes_up_to(DOCUMENT_BYTES)
    def patch(self, tank: str) -> Response:
        """Change some members of a tank"""
        changes = read_json(request.get_data())
        if not isinstance(changes, dict):
            raise invalid_body("is not a JSON object")

        def change(present: Tank) -> Tank:
            value = _loaded(merged(shown(present), changes))
            if value.id != tank:
                raise invalid_field("/id", value.id, f"{tank}: the id of a tank does not change")
            return value

        stored = current().registry.change_tank(tank, change, now=now(), only_if=precondition())
        current().nudge()
        return _answer(stored)

    @blueprint.query(DeleteSchema)
    @blueprint.answers(204, description="Deleted.")
    @blueprint.also_answers(412, description="Another version is there.")
    @blueprint.headers(IF_MATCH)
    def delete(self, options: dict[str, str], tank: str) -> tuple[str, int]:
        """Delete a tank with its log and its recommendations"""
        context = current()
        with_readings = options["readings"] == "delete"
        Ledger(context.registry).delete_tank(
            tank, now(), only_if=precondition(), with_readings=with_readings
        )
        if with_readings:
            context.store.delete_tank(tank)
        context.nudge()
        return "", 204


def shown(tank: Tank) -> dict[str, Any]:
    """The JSON of a tank."""
    body: dict[str, Any] = _TANK.dump(tank)
    return body


def _answer(stored: Stored[Tank]) -> Response:
    headers = {"Location": f"/v1/tanks/{stored.value.id}"} if stored.created else {}
    return tagged(shown(stored.value), 201 if stored.created else 200, headers, tag=stored.version)


def _loaded(body: Any) -> Tank:
    try:
        value: Tank = _TANK.load(body)
    except ValidationError as error:
        raise invalid_body(error.messages) from error
    return value


def _check_id(tank: str) -> None:
    if not is_name(tank):
        raise error_of((FieldFault.of("?tank", Refusal(tank, Name.allowed), "tank"),))
