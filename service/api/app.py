"""The application: blueprints, errors, strict requests, the document."""

from __future__ import annotations

from typing import Any, Final

from flask import Flask, json

from service.api import (
    absences,
    access,
    calculate,
    calendar,
    co2,
    context,
    deliveries,
    docs_page,
    events,
    exposition,
    gas_exchange,
    handover,
    health,
    homecoming,
    light,
    log,
    log_schemas,
    openapi,
    readings,
    readings_in,
    readings_schemas,
    recommendations,
    rejections,
    shared,
    shares,
    strictness,
    tanks,
    temperature,
)
from service.api.context import Context
from service.api.jsontext import StrictJson

MAX_BODY_BYTES: Final = 8 * 1024 * 1024
SPEC: Final = "littoral_openapi_document"

_BLUEPRINTS: Final = (
    tanks.blueprint,
    readings.blueprint,
    readings_in.blueprint,
    co2.blueprint,
    light.blueprint,
    temperature.blueprint,
    gas_exchange.blueprint,
    log.blueprint,
    recommendations.blueprint,
    absences.blueprint,
    handover.blueprint,
    homecoming.blueprint,
    shares.blueprint,
    shared.blueprint,
    rejections.blueprint,
    calendar.blueprint,
    events.blueprint,
    deliveries.blueprint,
    calculate.blueprint,
    health.blueprint,
    exposition.blueprint,
)


def create_app(parts: Context) -> Flask:
    """The API on its parts; open nothing, start nothing.

    Args:
        parts: store, registry, clock and configuration, open and ready.
    """
    app = _frame()
    context.install(app, parts)
    return app


def document_text() -> str:
    """The OpenAPI document as it is served and committed; needs no parts."""
    text: str = _frame().extensions[health.SPEC_TEXT]
    return text


def spec_of(app: Flask) -> dict[str, Any]:
    """The OpenAPI document of an app."""
    spec: dict[str, Any] = app.extensions[SPEC]
    return spec


def _frame() -> Flask:
    app = Flask("service.api", static_folder=None)
    app.json = StrictJson(app)
    app.url_map.strict_slashes = False
    app.config["MAX_CONTENT_LENGTH"] = MAX_BODY_BYTES
    access.install(app)
    api = openapi.open_api(app)
    log_schemas.register(api.spec)
    readings_schemas.register(api.spec)
    readings_in.register(api.spec)
    recommendations.register(api.spec)
    for blueprint in _BLUEPRINTS:
        api.register_blueprint(blueprint)
    docs_page.register(app)
    spec = openapi.document(api)
    strictness.install(app, spec)
    with app.app_context():
        app.extensions[health.SPEC_TEXT] = json.dumps(spec, indent=2) + "\n"
    app.extensions[SPEC] = spec
    return app
