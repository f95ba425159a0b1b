"""``POST /v1/tanks/{tank}/readings``: sensors that use HTTP instead of MQTT."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from types import MappingProxyType
from typing import Any, Final

from flask import Response, request
from marshmallow import ValidationError

from ingest.process import (
    PAYLOAD_LIMIT_BYTES,
    Arrival,
    Message,
    Outcome,
    Reason,
    Unchanged,
    rejection,
)
from service.api.context import app_singleton, current
from service.api.http.blueprint import LIST_BYTES, Blueprint
from service.api.http.json_text import read_json
from service.api.http.path_parameters import TANK
from service.api.http.problems.faults import error_of, invalid_body
from service.api.http.responses import as_json
from service.api.resources.readings.intake import (
    SOURCE,
    Intake,
    arrival_of_pack,
    arrival_of_record,
    arrival_of_rejection,
)
from service.api.resources.readings.schemas import ReadingSchema
from service.errors import FieldFault
from service.quantities import QUANTITIES
from service.registry.audit import Action, AuditedWrite
from service.registry.models.ingest import Rejection
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text
from service.schemas.messages import messages_of
from service.schemas.times import Moment
from service.schemas.unit_schemas import units_of

SENML: Final = "application/senml+json"
MOST: Final = 10_000
RECORDED_EVERY: Final = timedelta(hours=1)
"""Who sends readings of a tank is recorded at most so often: sensors send all day."""

OUTCOMES: Final = ("stored", "unchanged", "rejected")

blueprint = Blueprint(
    "readings-in", __name__, url_prefix="/v1/tanks/<tank>", description="Readings over HTTP."
)


class ReadingInSchema(Schema):
    """One reading as a sensor sends it."""

    json_schema = MappingProxyType(
        {
            "oneOf": [
                {
                    "properties": {
                        "quantity": {"const": name},
                        "unit": {"enum": list(units_of(one.ucum))},
                    }
                }
                for name, one in QUANTITIES.items()
            ]
        }
    )

    quantity = Choice(words=list(QUANTITIES), required=True)
    value = Number(required=True)
    unit = Text("Any that converts, or mV with a calibration; default: the canonical one.")
    time = Moment("When it was measured; default: now. With it a repeated request is harmless.")
    sensor = Text("Which sensor; default `main`.", shortest=1, longest=64)


_RECORD: Final = ReadingInSchema()


class ReadingsInSchema(Schema):
    """Readings as sensors send them."""

    readings = Items(ReadingInSchema, required=True, shortest=1, longest=MOST)


class OutcomeSchema(AnswerSchema):
    """What became of one record."""

    outcome = Choice("`unchanged`: it was there already.", words=OUTCOMES)
    reading = Nested(ReadingSchema, "As it is stored; null where it was rejected.", allow_none=True)
    reason = Text("Stable word; null unless rejected.", allow_none=True)
    detail = Text("Which field, which value, what is allowed.", allow_none=True)


class OutcomesSchema(AnswerSchema):
    """What became of each record: in the order sent, a SenML pack in the order of time."""

    tank = Text()
    outcomes = Items(OutcomeSchema)
    next = Text(allow_none=True)


_OUTCOMES: Final = OutcomesSchema()
_BODY: Final = {
    "required": True,
    "content": {
        "application/json": {
            "schema": {
                "oneOf": [
                    {"$ref": "#/components/schemas/ReadingIn"},
                    {"$ref": "#/components/schemas/ReadingsIn"},
                ]
            },
            "example": {"quantity": "temperature", "value": 75.2, "unit": "[degF]"},
        },
    },
}
_PACK_BODY: Final = {
    "required": True,
    "content": {
        SENML: {
            "schema": {"$ref": "#/components/schemas/SenmlPack"},
            "example": [
                {"bn": "shed:", "n": "temperature", "u": "Cel", "v": 24.1},
                {"n": "ph", "u": "pH", "v": 6.81},
            ],
        },
    },
}
_PACK: Final = {
    "type": "array",
    "description": "A SenML pack (RFC 8428). Names end in the quantity; what is before it names "
    "the sensor.",
    "minItems": 1,
    "maxItems": MOST,
    "items": {"type": "object"},
}


def register(spec: Any) -> None:
    """Add the schemas that are referred to by name to a document."""
    spec.components.schema("ReadingIn", schema=ReadingInSchema)
    spec.components.schema("ReadingsIn", schema=ReadingsInSchema)
    spec.components.schema("SenmlPack", _PACK)


@blueprint.at("/readings", "POST", parameters=TANK)
@blueprint.answers(200, OutcomesSchema, description="All are stored.")
@blueprint.also_answers(207, OutcomesSchema, description="Some are stored, some rejected.")
@blueprint.described(requestBody=_BODY)
@blueprint.takes_up_to(LIST_BYTES)
def post(tank: str) -> Response:
    """Readings from sensors that use HTTP

    One reading or several. They are processed as over MQTT: converted,
    calibrated and flagged. What is rejected is reported, counted and listed under
    /v1/rejections. If all of them are rejected the answer is 422.
    """
    current().registry.tank(tank)
    payload = request.get_data()
    intake = app_singleton(Intake, Intake)
    message = intake.message(tank, payload)
    body = read_json(payload)
    records = _records(body)
    several = "readings" in body
    pointers = [f"/readings/{n}" if several else "" for n in range(len(records))]
    outcomes = intake.store(
        [_arrival(message, tank, record, at) for record, at in zip(records, pointers, strict=True)]
    )
    return _answer(tank, outcomes, pointers)


@blueprint.at("/readings/senml", "POST", parameters=TANK)
@blueprint.answers(200, OutcomesSchema, description="All are stored.")
@blueprint.also_answers(207, OutcomesSchema, description="Some are stored, some rejected.")
@blueprint.described(requestBody=_PACK_BODY)
@blueprint.takes_up_to(PAYLOAD_LIMIT_BYTES)
def post_senml(tank: str) -> Response:
    """Readings as a SenML pack (RFC 8428)

    Its records are processed as those over MQTT; the answer is that of POST …/readings.
    """
    current().registry.tank(tank)
    payload = request.get_data()
    intake = app_singleton(Intake, Intake)
    outcomes = intake.store([arrival_of_pack(intake.message(tank, payload), tank)])
    return _answer(tank, outcomes, [""] * len(outcomes))


def _answer(tank: str, outcomes: Sequence[Outcome], pointers: Sequence[str]) -> Response:
    """What became of the records; pointers lead to each in the body.

    Raises:
        InvalidInputError: all of them are rejected.
    """
    rejected = [one for one in outcomes if isinstance(one, Rejection)]
    if rejected and len(rejected) == len(outcomes):
        faults = [FieldFault(at, one.detail) for at, one in zip(pointers, rejected, strict=True)]
        units_only = all(one.reason_code == Reason.UNKNOWN_UNIT for one in rejected)
        raise error_of(tuple(faults), units_only=units_only)
    record = AuditedWrite(
        Action.READINGS_ADDED, f"tanks/{tank}/readings", at_most_every=RECORDED_EVERY
    )
    current().registry.record(record)
    answer = {"tank": tank, "outcomes": [_members(one) for one in outcomes], "next": None}
    return as_json(_OUTCOMES.dump(answer), 207 if rejected else 200)


def _records(body: Any) -> Sequence[Any]:
    """The records of a JSON body: those of ``readings``, or the body itself.

    Raises:
        InvalidInputError: neither.
    """
    if not isinstance(body, dict):
        raise invalid_body("is not a JSON object")
    if "readings" not in body:
        return [body]
    records = body["readings"]
    unknown = [name for name in body if name != "readings"]
    if unknown:
        raise invalid_body({unknown[0]: ["is not known beside readings"]})
    readings = ReadingsInSchema().fields["readings"]
    assert isinstance(readings, Items)
    try:
        readings.check(records)
    except ValidationError as error:
        raise invalid_body({"readings": error.messages}) from error
    return list(records)


def _arrival(message: Message, tank: str, record: Any, at: str) -> Arrival:
    try:
        loaded: dict[str, Any] = _RECORD.load(record)
    except ValidationError as error:
        detail = "; ".join(
            f"{at}{pointer} {text}".strip() for pointer, text in messages_of(error.messages)
        )
        rejected = rejection(message, _reason(error), detail, source=SOURCE, tank=tank)
        return arrival_of_rejection(message, rejected)
    return arrival_of_record(message, tank, loaded)


def _reason(error: ValidationError) -> Reason:
    """The stable word for what the schema refused."""
    fields = set(error.messages) if isinstance(error.messages, dict) else set()
    if "quantity" in fields:
        return Reason.UNKNOWN_QUANTITY
    return Reason.NOT_A_NUMBER if "value" in fields else Reason.BAD_JSON


def _members(one: Outcome) -> dict[str, Any]:
    """An outcome as its schema dumps it."""
    members = {"outcome": "stored", "reading": one, "reason": None, "detail": None}
    if isinstance(one, Unchanged):
        members |= {"outcome": "unchanged", "reading": one.reading}
    elif isinstance(one, Rejection):
        members |= {"outcome": "rejected", "reading": None}
        members |= {"reason": one.reason_code, "detail": one.detail}
    return members
