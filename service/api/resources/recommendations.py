"""Recommendations: what to do, why, by when, how much; and marking them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final

from flask import Response, request
from marshmallow import ValidationError

from service.advice.engine.documents import recommendation_document
from service.advice.engine.ledger import Ledger
from service.advice.engine.recommendation import Recommendation, Severity
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.faults import invalid_body, invalid_field
from service.api.http.json_text import read_json
from service.api.http.path_parameters import RECOMMENDATION, TANK
from service.api.http.responses import as_json
from service.registry.recommendations import STANDING_STATES, State
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text, Whole, YesNo
from service.schemas.times import Moment, Span
from service.times import format_moment

MOST: Final = 1000
_DAY: Final = timedelta(days=1)

blueprint = Blueprint(
    "recommendations", __name__, url_prefix="/v1", description="What to do, with the evidence."
)


class AmountSchema(Schema):
    """How much of what."""

    name = Text(required=True)
    value = Number(required=True)
    unit = Text("UCUM.", required=True)


class FactSchema(Schema):
    """A number of the evidence."""

    value = Number(required=True)
    unit = Text("UCUM; empty where there is none.", required=True)


class EvidenceSchema(Schema):
    """One fact that a recommendation rests on."""

    text = Text("A sentence.", required=True)
    name = Text("What was compared.", required=True)
    source = Text("A published source, `common practice, no source`, or a sensor.", required=True)
    value = Nested(FactSchema)
    threshold = Nested(FactSchema, "What it was compared with.")
    time = Moment("When it was so.")


class RecommendationSchema(Schema):
    """What to do about one tank."""

    id = Text("Stays as long as the cause lasts.", required=True)
    tank = Text(required=True)
    code = Text("Stable code of the rule.", required=True)
    subject = Text("Tells two of one rule apart; may be empty.", required=True)
    severity = Choice(words=[one.word for one in Severity], required=True)
    state = Choice(words=list(State), required=True)
    title = Text("A short line.", required=True)
    action = Text("What to do, with amounts.", required=True)
    amounts = Items(AmountSchema, required=True)
    evidence = Items(EvidenceSchema, required=True)
    cautions = Items(Text(longest=2000), required=True)
    confidence = Number("0 to 1: how sure the evidence is.", low=0, high=1, required=True)
    due = Moment("By when; null: no hurry.", allow_none=True, required=True)
    since = Moment("When the cause began.", allow_none=True, required=True)
    first_seen = Moment(required=True)
    last_seen = Moment(required=True)
    snoozed_until = Moment(allow_none=True, required=True)
    folded = YesNo("More urgent ones of the tank come first.", required=True)


class OptionsSchema(Schema):
    """Which recommendations."""

    state = Choice(
        "Only in this state; `standing` (the default): open and snoozed; `any`: all.",
        words=("standing", "any", *State),
        load_default="standing",
    )
    since = Moment("Only those seen at this moment or later.")
    limit = Whole(
        f"At most so many, weightiest first; default {MOST}.", low=1, high=MOST, text=True
    )


class RecommendationsSchema(Schema):
    """Recommendations, weightiest first."""

    recommendations = Items(RecommendationSchema, required=True)
    next = Text(allow_none=True, required=True)


class TankRecommendationsSchema(RecommendationsSchema):
    """Recommendations of one tank, weightiest first."""

    tank = Text(required=True)


class SnoozeSchema(Schema):
    """Until when; one of both, default one day."""

    until = Moment("Until this moment.")
    length = Span("For this long.")


@blueprint.at("/recommendations", "GET")
@blueprint.query(OptionsSchema)
@blueprint.answers(200, RecommendationsSchema)
def recommendations(options: dict[str, Any]) -> Response:
    """What to do, of all tanks, weightiest first"""
    return as_json({"recommendations": _shown(_listed(options)), "next": None})


@blueprint.at("/tanks/<tank>/recommendations", "GET", parameters=TANK)
@blueprint.query(OptionsSchema)
@blueprint.answers(200, TankRecommendationsSchema)
def of_tank(options: dict[str, Any], tank: str) -> Response:
    """What to do about one tank, weightiest first"""
    current().registry.tank(tank)
    found = _shown(_listed(options, tank))
    return as_json({"tank": tank, "recommendations": found, "next": None})


@blueprint.at("/recommendations/<id>", "GET", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
def recommendation(id: str) -> Response:
    """One recommendation"""
    return as_json(recommendation_document(_ledger().get(id)))


@blueprint.at("/recommendations/<id>/done", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It no longer stands.")
def done(id: str) -> Response:
    """Mark a recommendation as done

    It stays done while its cause is given time to go away, and opens again if it does not.
    """
    return _marked(id, State.DONE)


@blueprint.at("/recommendations/<id>/dismiss", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It no longer stands.")
def dismiss(id: str) -> Response:
    """Dismiss a recommendation for as long as its cause lasts"""
    return _marked(id, State.DISMISSED)


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
@blueprint.also_answers(409, description="It no longer stands.")
@blueprint.described(requestBody=_SNOOZE_BODY)
def snooze(id: str) -> Response:
    """Put a recommendation off, for one day unless told otherwise"""
    wanted = _snooze_options(request.get_data())
    if "until" in wanted and "length" in wanted:
        raise invalid_field("/until", format_moment(wanted["until"]), "this or length, not both")
    present = now()
    until = wanted.get("until") or present + wanted.get("length", _DAY)
    if until <= present:
        raise invalid_field("/until", format_moment(until), "a time in the future")
    one = _ledger().mark(id, State.SNOOZED, until, now=present)
    current().nudge()
    return as_json(recommendation_document(one))


@blueprint.at("/recommendations/<id>/open", "POST", parameters=RECOMMENDATION)
@blueprint.answers(200, RecommendationSchema)
@blueprint.also_answers(409, description="It no longer stands.")
def reopen(id: str) -> Response:
    """Take a mark back: the recommendation is open again"""
    return _marked(id, State.OPEN)


def register(spec: Any) -> None:
    """Add the schemas that are referred to by name to a document."""
    spec.components.schema("Snooze", schema=SnoozeSchema)


def _ledger() -> Ledger:
    return Ledger(current().registry)


def _listed(options: dict[str, Any], tank: str | None = None) -> list[Recommendation]:
    wanted = options["state"]
    states: Sequence[State] = (State(wanted),) if wanted in set(State) else STANDING_STATES
    if wanted == "any":
        states = tuple(State)
    limit = options.get("limit", MOST)
    return _ledger().list(tank, states, since=options.get("since"))[:limit]


def _shown(found: Sequence[Recommendation]) -> list[dict[str, Any]]:
    return [recommendation_document(one) for one in found]


def _marked(id: str, state: State) -> Response:
    one = _ledger().mark(id, state, now=now())
    current().nudge()
    return as_json(recommendation_document(one))


def _snooze_options(data: bytes) -> dict[str, Any]:
    if not data.strip():
        return {}
    try:
        wanted: dict[str, Any] = SnoozeSchema().load(read_json(data))
    except ValidationError as error:
        raise invalid_body(error.messages) from error
    return wanted
