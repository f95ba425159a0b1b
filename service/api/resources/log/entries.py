"""``/v1/tanks/{tank}/log``: what people did to a tank and saw in it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import timedelta
from typing import Any, Final

from flask import Response, request
from flask.views import MethodView
from marshmallow import ValidationError

from service.api.context import current, now
from service.api.http.blueprint import DOCUMENT_BYTES, Blueprint
from service.api.http.json_text import read_json
from service.api.http.path_parameters import ENTRY, TANK
from service.api.http.problems.faults import invalid_body, invalid_field
from service.api.http.responses import as_json
from service.api.resources.log.paging import LogPageSchema, log_page
from service.api.resources.log.schemas import ENTRIES, ENTRY_REFERENCE, LOG
from service.api.resources.pictures.schemas import as_documents
from service.errors import NotFoundError
from service.pictures.intake import Upload
from service.registry.fields.log.kinds import KINDS
from service.registry.log.volume import to_shown, to_stored
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.pictures import Picture
from service.registry.models.tank import Tank
from service.schemas.fields import Choice
from service.times import format_moment

CLOCKS_APART: Final = timedelta(minutes=10)
"""How far ahead of the service's clock a phone's clock may be."""

_ENTRIES: Final = {kind: schema() for kind, schema in ENTRIES.items()}

_POST_BODY: Final = {
    "required": True,
    "content": {
        "application/json": {
            "schema": ENTRY_REFERENCE,
            "example": {
                "kind": "water-change",
                "data": {"fraction": {"value": 50, "unit": "%"}},
                "by": "the colleague",
            },
        },
    },
}

blueprint = Blueprint(
    "log", __name__, url_prefix="/v1/tanks/<tank>/log", description="What people did and saw."
)


class LogOptionsSchema(LogPageSchema):
    """Which entries."""

    kind = Choice("Only entries of this kind.", words=list(LogKind))


@blueprint.at("", parameters=TANK)
class LogView(MethodView):
    """The log of a tank."""

    @blueprint.query(LogOptionsSchema)
    @blueprint.answers(200, LOG)
    def get(self, options: dict[str, Any], tank: str) -> Response:
        """The log of a tank, newest first"""
        kinds = [LogKind(options["kind"])] if "kind" in options else None
        entries, more = log_page(tank, options, kinds)
        registry = current().registry
        found = registry.tank(tank)
        pictures = registry.pictures_of(tank, [entry.id for entry in entries])
        shown = [entry_json(one, found, pictures.get(one.id, ())) for one in entries]
        return as_json({"tank": tank, "entries": shown, "next": more})

    @blueprint.answers(201, ENTRY_REFERENCE)
    @blueprint.also_answers(409, description="Another entry has this id.")
    @blueprint.described(requestBody=_POST_BODY)
    @blueprint.takes_up_to(DOCUMENT_BYTES)
    def post(self, tank: str) -> Response:
        """Log what was done or seen

        Without a `time` it was done now. An entry sent again under the same `id` is stored once
        and answered as the first time; another one under that `id` is refused. With photographs:
        `POST /v1/tanks/{tank}/pictures`.
        """
        return logged(tank, read_json(request.get_data()))


@blueprint.at("/<entry>", parameters=[*TANK, *ENTRY])
class EntryView(MethodView):
    """One entry."""

    @blueprint.answers(200, ENTRY_REFERENCE)
    def get(self, tank: str, entry: str) -> Response:
        """One entry of the log"""
        registry = current().registry
        found, one = registry.tank(tank), _entry(tank, entry)
        return as_json(entry_json(one, found, registry.pictures(tank, entries=[entry])))

    @blueprint.answers(204, description="Deleted.")
    def delete(self, tank: str, entry: str) -> tuple[str, int]:
        """Delete an entry that was written by mistake"""
        current().registry.tank(tank)
        current().registry.delete_log(entry, tank=tank)
        current().nudge()
        return "", 204


def logged(tank: str, body: Any, files: Sequence[Upload] = ()) -> Response:
    """Write an entry from its JSON, with its pictures; the answer of who sends it.

    Raises:
        InvalidInputError: a field or a picture is not allowed.
        NotFoundError: no such tank.
        ConflictError: another entry has this id, or it has other pictures.
    """
    context = current()
    found = context.registry.tank(tank)
    kind, value = _loaded(body)
    recorded = now()
    time = value.get("time")
    if time is not None and time > recorded + CLOCKS_APART:
        raise invalid_field("/time", format_moment(time), "a time up to now")
    with context.pictures.taken(files, value.get("id")) as pictures:
        entry = context.registry.add_log(
            tank,
            kind,
            time,
            to_stored(kind, value.get("data", {}), found),
            value.get("note", ""),
            value.get("by", ""),
            recorded,
            id=value.get("id"),
            pictures=pictures,
        )
    context.nudge()
    address = f"/v1/tanks/{tank}/log/{entry.id}"
    shown = entry_json(entry, found, context.registry.pictures(tank, entries=[entry.id]))
    return as_json(shown, 201, {"Location": address})


def entry_json(entry: LogEntry, tank: Tank, pictures: Iterable[Picture] = ()) -> dict[str, Any]:
    """The JSON of an entry; a water change also in litres where the net volume is known."""
    data = to_shown(entry, tank)
    members = {field.name: getattr(entry, field.name) for field in fields(entry)}
    shown: dict[str, Any] = _ENTRIES[entry.kind].dump(members | {"data": data})
    shown["pictures"] = as_documents(pictures)
    if entry.kind is LogKind.CALIBRATION:
        shown["data"] = data
    elif entry.kind is LogKind.OBSERVATION:
        known = KINDS[entry.kind].stored
        shown["data"] |= {name: value for name, value in data.items() if name not in known}
    return shown


def _entry(tank: str, id: str) -> LogEntry:
    entry = current().registry.log_entry(id)
    if entry.tank != tank:
        raise NotFoundError(f"log entry is {id!r}; allowed: the id of an entry of {tank}")
    return entry


def _loaded(body: Any) -> tuple[LogKind, dict[str, Any]]:
    if not isinstance(body, dict):
        raise invalid_body("is not a JSON object")
    kind = body.get("kind")
    if not isinstance(kind, str) or kind not in set(LogKind):
        raise invalid_field("/kind", kind, ", ".join(LogKind))
    try:
        value: dict[str, Any] = _ENTRIES[LogKind(kind)].load(body)
    except ValidationError as error:
        raise invalid_body(error.messages) from error
    return LogKind(kind), value
