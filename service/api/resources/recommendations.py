"""Recommendations: what to do, why, by when, how much; and marking them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from flask import request
from marshmallow import ValidationError

from service.advice.engine.documents import RecommendationSchema
from service.advice.engine.history.done import draft_of, mark_done, take_back
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Recommendation
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.json_text import read_json
from service.api.http.pagination import page_by_key
from service.api.http.path_parameters import RECOMMENDATION, TANK
from service.api.http.problems.faults import invalid_body, invalid_field
from service.registry.fields.limits import NAME_LENGTH, NOTE_LENGTH
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from service.registry.models.recommendations import ACTIVE_STATES, State, Urgency
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Text, Whole
from service.schemas.free_json import JsonObject
from service.schemas.keys import KEY_ID, KEY_MOMENT, KEY_MOMENT_OR_NONE, KEY_WHOLE, Key
from service.schemas.messages import error_of_messages
from service.schemas.times import Moment, Span
from service.times import format_moment

MOST: Final = 1000
_DAY: Final = timedelta(days=1)

blueprint = Blueprint(
    "recommendations", __name__, url_prefix="/v1", description="What to do, with the evidence."
)


AFTER: Final = Key(KEY_WHOLE, KEY_MOMENT_OR_NONE, KEY_MOMENT, KEY_ID)


class OptionsSchema(Schema):
    """Which recommendations."""

    state = Choice(
        "Only in this state; `active` (the default): open and snoozed; `any`: all.",
        words=("active", "any", *State),
        load_default="active",
    )
    start = Moment("Only those seen at this moment or later.")
    after = AFTER
    limit = Whole(
        f"At most so many; `next` leads to the rest. Default {MOST}.",
        low=1,
        high=MOST,
        text=True,
        load_default=MOST,
    )


class RecommendationsSchema(AnswerSchema):
    """Recommendations, most urgent first."""

    recommendations = Items(RecommendationSchema)
    next = Text(allow_none=True)


class TankRecommendationsSchema(AnswerSchema):
    """Recommendations of one tank, most urgent first."""

    tank = Text()
    recommendations = Items(RecommendationSchema)
    next = Text(allow_none=True)


class DoneSchema(Schema):
    """What was done, where that is not what was recommended, or what is asked for."""

    data = JsonObject("Fields of the log entry, as in `POST /v1/tanks/{tank}/log`.")
    note = Text("A remark for the log.", longest=NOTE_LENGTH, lines=True)
    by = Text("Who did it.", longest=NAME_LENGTH)


class SnoozeSchema(Schema):
    """Until when; one of both, default one day."""

    until = Moment("Until this moment.")
    length = Span("For this long.")


_DONE: Final = DoneSchema()
_DONE_BODY: Final = {
    "required": False,
    "content": {
        "application/json": {
            "schema": {"$ref": "#/components/schemas/Done"},
            "example": {"data": {"kh": {"value": 4, "unit": "dKH"}}, "by": "Invented colleague"},
        }
    },
}


@blueprint.at("/recommendations", "GET")
@blueprint.query(OptionsSchema)
@blueprint.answers(200, RecommendationsSchema)
def recommendations(options: dict[str, Any]) -> dict[str, Any]:
    """What to do, of all tanks, most urgent first"""
    return _page(options)


@blueprint.at("/tanks/<tank>/recommendations", "GET", parameters=TANK)
@blueprint.query(OptionsSchema)
@blueprint.answers(200, TankRecommendationsSchema)
def of_tank(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """What to do about one tank, most urgent first"""
    current().registry.tank(tank)
    return {"tank": tank, **_page(options, tank)}


@blueprint.at("/recommendations/<id>", "GET", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
def recommendation(id: str) -> Recommendation:
    """One recommendation"""
    return _ledger().get(id)


@blueprint.at("/recommendations/<id>/done", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It is no longer active.")
@blueprint.described(requestBody=_DONE_BODY)
def done(id: str) -> Recommendation:
    """Mark a recommendation as done, and log what was done

    What was done as recommended goes into the log, with its amounts; `data` has what was done
    otherwise, or what its `log.asks` for. It stays done while its cause has time to clear, and
    opens again if it does not.
    """
    given = _loaded(_DONE, request.get_data())
    registry = current().registry
    kind = LogKind(draft_of(_ledger().get(id)).kind)
    data = _data(kind, given.get("data", {}))
    one, _ = mark_done(registry, id, now(), data, given.get("note", ""), given.get("by", ""))
    current().nudge()
    return one


@blueprint.at("/recommendations/<id>/dismiss", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It is no longer active.")
def dismiss(id: str) -> Recommendation:
    """Dismiss a recommendation for as long as its cause lasts"""
    return _marked(id, State.DISMISSED)


_SNOOZE: Final = SnoozeSchema()
_SNOOZE_BODY: Final = {
    "required": False,
    "content": {
        "application/json": {
            "schema": {"$ref": "#/components/schemas/Snooze"},
            "example": {"length": "P2D"},
        }
    },
}


@blueprint.at("/recommendations/<id>/snooze", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It is no longer active.")
@blueprint.described(requestBody=_SNOOZE_BODY)
def snooze(id: str) -> Recommendation:
    """Put a recommendation off, for one day unless another time is given"""
    wanted = _loaded(_SNOOZE, request.get_data())
    if "until" in wanted and "length" in wanted:
        raise invalid_field("/until", format_moment(wanted["until"]), "this or length, not both")
    present = now()
    until = wanted.get("until") or present + wanted.get("length", _DAY)
    if until <= present:
        raise invalid_field("/until", format_moment(until), "a time in the future")
    one = _ledger().mark(id, State.SNOOZED, until, now=present)
    current().nudge()
    return one


@blueprint.at("/recommendations/<id>/open", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It is no longer active.")
def reopen(id: str) -> Recommendation:
    """Take a mark back: the recommendation is open again

    The log entry that marking it as done left is deleted.
    """
    one = take_back(current().registry, id, now())
    current().nudge()
    return one


def register(spec: Any) -> None:
    """Add the schemas that are referred to by name to a document."""
    spec.components.schema("Done", schema=DoneSchema)
    spec.components.schema("Snooze", schema=SnoozeSchema)


def _ledger() -> Ledger:
    return Ledger(current().registry)


def _page(options: dict[str, Any], tank: str | None = None) -> dict[str, Any]:
    wanted = options["state"]
    states: Sequence[State] = (State(wanted),) if wanted in set(State) else ACTIVE_STATES
    if wanted == "any":
        states = tuple(State)
    limit, after = options["limit"], _urgency(options.get("after"))
    found = _ledger().page(tank, states, since=options.get("start"), after=after, limit=limit + 1)
    shown, more = page_by_key(found, limit, _key)
    return {"recommendations": shown, "next": more}


def _key(one: Recommendation) -> str:
    urgency = one.urgency
    return AFTER.text_of((urgency.severity, urgency.due, urgency.first_seen, urgency.id))


def _urgency(key: tuple[int, datetime | None, datetime, str] | None) -> Urgency | None:
    if key is None:
        return None
    severity, due, first_seen, id = key
    return Urgency(id, severity, due, first_seen)


def _marked(id: str, state: State) -> Recommendation:
    one = _ledger().mark(id, state, now=now())
    current().nudge()
    return one


def _data(kind: LogKind, given: dict[str, Any]) -> dict[str, Any]:
    """Fields of an entry's data by the keys under which they are stored."""
    try:
        found: dict[str, Any] = KINDS[kind].load(given, partial=True)
    except ValidationError as error:
        raise error_of_messages({"data": error.messages}) from error
    return found


def _loaded(schema: Schema, data: bytes) -> dict[str, Any]:
    if not data.strip():
        return {}
    try:
        wanted: dict[str, Any] = schema.load(read_json(data))
    except ValidationError as error:
        raise invalid_body(error.messages) from error
    return wanted
