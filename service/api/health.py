"""``/healthz``, ``/readyz`` and ``/openapi.json``."""

from __future__ import annotations

from typing import Any

from flask import Response, current_app

from service.api.blueprint import Blueprint
from service.api.context import current, now
from service.api.fields import Choice, Moment, Text, YesNo
from service.api.openapi import package_version
from service.api.schema import Nested, Schema

SPEC_TEXT = "littoral_openapi"

blueprint = Blueprint("service", __name__, description="The service itself.")


class HealthSchema(Schema):
    """The process answers."""

    status = Choice(words=["ok"])
    version = Text()
    time = Moment("The service's clock.")


class StoreReadySchema(Schema):
    """The store of readings."""

    backend = Text()
    reachable = YesNo()
    detail = Text()


class ReadySchema(Schema):
    """Whether the service can do its work."""

    status = Choice(words=["ready", "not ready"])
    time = Moment("The service's clock.")
    store = Nested(StoreReadySchema)


@blueprint.at("/healthz", "GET")
@blueprint.answers(200, HealthSchema)
def healthz() -> dict[str, Any]:
    """Whether the process answers"""
    return {"status": "ok", "version": package_version(), "time": now()}


@blueprint.at("/readyz", "GET")
@blueprint.answers(200, ReadySchema)
@blueprint.also_answers(503, ReadySchema, description="It cannot, and why.")
def readyz() -> tuple[dict[str, Any], int]:
    """Whether the service can do its work"""
    health = current().store.health()
    body = {
        "status": "ready" if health.reachable else "not ready",
        "time": now(),
        "store": {
            "backend": health.backend,
            "reachable": health.reachable,
            "detail": health.detail,
        },
    }
    return body, 200 if health.reachable else 503


@blueprint.at("/openapi.json", "GET")
@blueprint.answers(200, {"type": "object"}, description="OpenAPI 3.1 document.")
def openapi_json() -> Response:
    """This document"""
    return Response(current_app.extensions[SPEC_TEXT], mimetype="application/json")
