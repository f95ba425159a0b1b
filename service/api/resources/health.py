"""``/healthz``, ``/readyz`` and ``/openapi.json``."""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from flask import Response, current_app

from service.advice.engine.overdue import lifetime_s, overdue
from service.advice.sharing.leases import holdings
from service.advice.sharing.status import combined_status
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.openapi import text_of
from service.errors import LittoralError
from service.integrations.metrics.disks import database_paths, full_disks
from service.integrations.metrics.health import INGEST
from service.registry.models.events import Delivery, DeliveryState
from service.registry.models.partitions import PARTITIONS
from service.registry.models.process_status import is_silent
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Text, Whole, YesNo
from service.schemas.times import Moment
from service.version import package_version

blueprint = Blueprint("service", __name__, description="The service itself.")


class HealthSchema(AnswerSchema):
    """The process answers."""

    status = Choice(words=["ok"])
    version = Text()
    time = Moment("The service's clock.")


class StoreReadySchema(AnswerSchema):
    """The store of readings."""

    backend = Text()
    reachable = YesNo()
    detail = Text()


class RegistryReadySchema(AnswerSchema):
    """The registry of tanks."""

    reachable = YesNo()
    detail = Text()


class StatusTime(Moment):
    """A time that is text in a status document."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return super()._serialize(datetime.fromisoformat(value), attr, obj) if value else None


class IngestReadySchema(AnswerSchema):
    """The last report of an ingester."""

    name = Text()
    reported = StatusTime("When.", attribute="time", allow_none=True, dump_default=None)
    connected = YesNo("To the broker.", dump_default=False)
    last_write = StatusTime(
        "When readings last went into the store.",
        attribute="last_commit",
        allow_none=True,
        dump_default=None,
    )
    waiting = Whole("Messages not yet written.", low=0, high=2**53, dump_default=0)
    aside = Whole(
        "Damaged batches and fatal messages that were taken aside, as files beside the spool.",
        low=0,
        high=2**53,
        dump_default=0,
    )
    errors = Items(Text(longest=2000), dump_default=())


class SchedulerReadySchema(AnswerSchema):
    """One of the processes that share the tanks."""

    name = Text("Its `mqtt.client_id`.")
    since = Moment("When it joined, by its machine's clock.", allow_none=True)
    parts = Whole(
        f"So many of the {PARTITIONS} parts of the tanks it evaluates.", low=0, high=PARTITIONS
    )


class AdviceReadySchema(AnswerSchema):
    """The last report of the scheduler that evaluates the tanks."""

    evaluated = StatusTime("When.", attribute="time", allow_none=True, dump_default=None)
    tanks = Whole("Evaluated then.", low=0, high=2**53, dump_default=0)
    overdue = YesNo("No evaluation was completed for too long.")
    errors = Items(Text(longest=2000))
    schedulers = Items(
        SchedulerReadySchema, "The processes that share the tanks, and how many parts each has."
    )


class DeliveryReadySchema(AnswerSchema):
    """A webhook or recipient of mail whose last attempt failed."""

    target = Text()
    state = Choice(words=list(DeliveryState))
    attempts = Whole(low=0, high=2**53)
    error = Text("Why it failed.", attribute="last_error", longest=1000)


class ReadySchema(AnswerSchema):
    """Whether the service can do its work."""

    status = Choice(words=["ready", "not ready"])
    reasons = Items(Text(longest=2000), "Why it is not ready, a sentence each.")
    time = Moment("The service's clock.")
    store = Nested(StoreReadySchema)
    registry = Nested(RegistryReadySchema)
    ingest = Items(IngestReadySchema, "Every ingester that ever reported.")
    advice = Nested(AdviceReadySchema, "Null before the first evaluation.", allow_none=True)
    failing = Items(
        DeliveryReadySchema,
        "Webhooks and recipients of mail that get nothing at present. They make nothing not ready.",
    )


@blueprint.at("/healthz", "GET")
@blueprint.answers(200, HealthSchema)
def healthz() -> dict[str, Any]:
    """Whether the process answers"""
    return {"status": "ok", "version": package_version(), "time": now()}


@blueprint.at("/readyz", "GET")
@blueprint.answers(200, ReadySchema)
@blueprint.also_answers(503, ReadySchema, description="It cannot, and why.")
def readyz() -> tuple[dict[str, Any], int]:
    """Whether the service can do its work

    Ready when store and registry answer, none of their disks and the spool's is full, no ingester
    has to hold up messages, and the evaluation of the tanks is not overdue: none was completed
    within three times its interval, a minute at least. Beside it, when the ingesters last wrote
    and when the tanks were last evaluated; and which webhooks and recipients of mail get nothing.
    """
    context = current()
    health = context.store.health()
    statuses, fault = _statuses()
    status = combined_status(statuses)
    late = "" if fault else _overdue(status)
    reasons = [
        *([] if health.reachable else [f"the store does not answer: {health.detail}"]),
        *([f"the registry does not answer: {fault}"] if fault else []),
        *([late] if late else []),
        *full_disks(database_paths(context.config)),
        *_stalled(statuses),
    ]
    ready = not reasons
    body = {
        "status": "ready" if ready else "not ready",
        "reasons": reasons,
        "time": now(),
        "store": health,
        "registry": {"reachable": not fault, "detail": fault},
        "ingest": [
            {**status, "name": name.removeprefix(INGEST)}
            for name, status in statuses.items()
            if name.startswith(INGEST)
        ],
        "advice": _advice(status, late),
        "failing": _failing(),
    }
    return body, 200 if ready else 503


def _statuses() -> tuple[dict[str, dict[str, Any]], str]:
    try:
        return current().registry.statuses(), ""
    except LittoralError as error:
        return {}, error.detail


def _failing() -> list[Delivery]:
    try:
        return current().registry.failing_deliveries()
    except LittoralError:
        return []  # that the registry is away is said already


def _stalled(statuses: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """A sentence for each running ingester that cannot put readings anywhere."""
    return [
        f"{name.removeprefix(INGEST)} can store nothing, and messages wait at the broker: "
        f"{'; '.join(status.get('errors', ()))}"
        for name, status in statuses.items()
        if name.startswith(INGEST)
        and status.get("stalled")
        and not is_silent(status, now(), current().config.clock.speed)
    ]


def _overdue(status: Mapping[str, Any] | None) -> str:
    context = current()
    return overdue(
        status,
        now(),
        usual_s=lifetime_s(context.config.advice.every_s),
        up_s=time.monotonic() - context.started_s,
        speed=context.config.clock.speed,
    )


def _advice(status: Mapping[str, Any] | None, late: str) -> Mapping[str, Any] | None:
    if status is None and not late:
        return None
    known = status or {}
    failed = [f"advice on tank {tank} failed; see the log" for tank in known.get("failed", ())]
    errors = [text for text in (late, known.get("error")) if text]
    return {
        **known,
        "overdue": bool(late),
        "errors": errors + failed,
        "schedulers": _schedulers(),
    }


def _schedulers() -> list[dict[str, Any]]:
    try:
        seen = current().registry.membership()
    except LittoralError:
        return []  # that the registry is away is said already
    return [{"name": one.name, "since": one.since, "parts": count} for one, count in holdings(seen)]


@blueprint.at("/openapi.json", "GET")
@blueprint.answers(200, {"type": "object"}, description="OpenAPI 3.1 document.")
def openapi_json() -> Response:
    """This document"""
    return Response(text_of(current_app), mimetype="application/json")
