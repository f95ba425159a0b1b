"""``/healthz``, ``/readyz`` and ``/openapi.json``."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from flask import Response, current_app

from service.advice.engine.scheduler import STATUS_NAME
from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.openapi import package_version, text_of
from service.errors import LittoralError
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Text, Whole, YesNo
from service.schemas.times import Moment

_INGEST: Final = "ingest:"

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


class IngestReadySchema(AnswerSchema):
    """An ingester, as it last told of itself."""

    name = Text()
    told = Moment("When it told.", allow_none=True)
    connected = YesNo("To the broker.")
    last_write = Moment("When readings last went into the store.", allow_none=True)
    waiting = Whole("Messages not yet written.", low=0, high=2**53)
    errors = Items(Text(longest=2000))


class WatchReadySchema(AnswerSchema):
    """The watch that makes recommendations, as it last told of itself."""

    told = Moment("When it last looked.", allow_none=True)
    tanks = Whole("Tanks looked at.", low=0, high=2**53)
    errors = Items(Text(longest=2000))


class ReadySchema(AnswerSchema):
    """Whether the service can do its work."""

    status = Choice(words=["ready", "not ready"])
    time = Moment("The service's clock.")
    store = Nested(StoreReadySchema)
    registry = Nested(RegistryReadySchema)
    ingest = Items(IngestReadySchema, "Every ingester that ever told of itself.")
    watch = Nested(WatchReadySchema, "Null before the first look.", allow_none=True)


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

    Ready when store and registry answer. When the ingesters last wrote and when the tanks were
    last looked at stands beside it, for whoever watches the service.
    """
    parts = current()
    health = parts.store.health()
    statuses, fault = _statuses()
    ready = health.reachable and not fault
    body = {
        "status": "ready" if ready else "not ready",
        "time": now(),
        "store": {
            "backend": health.backend,
            "reachable": health.reachable,
            "detail": health.detail,
        },
        "registry": {"reachable": not fault, "detail": fault},
        "ingest": [
            _ingest(name.removeprefix(_INGEST), status)
            for name, status in statuses.items()
            if name.startswith(_INGEST)
        ],
        "watch": _watch(statuses[STATUS_NAME]) if STATUS_NAME in statuses else None,
    }
    return body, 200 if ready else 503


def _statuses() -> tuple[dict[str, dict[str, Any]], str]:
    try:
        return current().registry.statuses(), ""
    except LittoralError as error:
        return {}, error.detail


def _ingest(name: str, status: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": name,
        "told": _moment(status.get("time")),
        "connected": bool(status.get("connected")),
        "last_write": _moment(status.get("last_commit")),
        "waiting": int(status.get("waiting", 0)),
        "errors": [str(one) for one in status.get("errors", ())],
    }


def _watch(status: Mapping[str, Any]) -> dict[str, Any]:
    failed = [f"advice on tank {tank} failed; see the log" for tank in status.get("failed", ())]
    error = status.get("error")
    return {
        "told": _moment(status.get("time")),
        "tanks": int(status.get("tanks", 0)),
        "errors": ([str(error)] if error else []) + failed,
    }


def _moment(text: object) -> datetime | None:
    return datetime.fromisoformat(str(text)) if text else None


@blueprint.at("/openapi.json", "GET")
@blueprint.answers(200, {"type": "object"}, description="OpenAPI 3.1 document.")
def openapi_json() -> Response:
    """This document"""
    return Response(text_of(current_app), mimetype="application/json")
