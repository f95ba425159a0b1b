"""The application: blueprints, errors, strict requests, the document."""

from __future__ import annotations

import functools
import threading
from collections.abc import Mapping
from typing import Any, Final

from flask import Flask

from service.api import context
from service.api.calculate.blueprint import blueprint_of
from service.api.calculate.table import FORMULAS
from service.api.context import Context
from service.api.events import resource
from service.api.http import compression, openapi, request_checks, security_headers
from service.api.http.access import auth
from service.api.http.blueprint import PICTURES_BYTES
from service.api.http.json_text import StrictJson
from service.api.http.problems import errors
from service.api.http.request_checks import Taken
from service.api.resources import (
    absences,
    audit,
    calendar,
    deliveries,
    health,
    metrics,
    recommendations,
    rejections,
    sensors,
    sessions,
    trials,
)
from service.api.resources.broker import routes, topics
from service.api.resources.calibrations import resource as calibrations
from service.api.resources.derived import co2, gas_exchange, light, nutrients, temperature, what_if
from service.api.resources.handover import (
    link_pictures,
    link_reports,
    return_report,
    shared_sheet,
    sharing_links,
    sheet,
)
from service.api.resources.inhabitants import animals, plants, species
from service.api.resources.log import entries, observations, schemas, with_pictures
from service.api.resources.pictures import of_entry, of_tank
from service.api.resources.readings import query, submit
from service.api.resources.readings import schemas as readings_schemas
from service.api.resources.tanks import tanks

_BLUEPRINTS: Final = (
    tanks.blueprint,
    query.blueprint,
    submit.blueprint,
    sensors.blueprint,
    co2.blueprint,
    light.blueprint,
    temperature.blueprint,
    gas_exchange.blueprint,
    nutrients.blueprint,
    animals.blueprint,
    plants.blueprint,
    what_if.blueprint,
    entries.blueprint,
    of_entry.blueprint,
    of_tank.blueprint,
    with_pictures.blueprint,
    observations.blueprint,
    observations.scales,
    recommendations.blueprint,
    trials.blueprint,
    absences.blueprint,
    sheet.blueprint,
    return_report.blueprint,
    sharing_links.blueprint,
    sessions.blueprint,
    shared_sheet.blueprint,
    link_reports.blueprint,
    link_pictures.blueprint,
    rejections.blueprint,
    routes.blueprint,
    topics.blueprint,
    calibrations.blueprint,
    calendar.blueprint,
    resource.blueprint,
    deliveries.blueprint,
    audit.blueprint,
    blueprint_of(FORMULAS),
    species.blueprint,
    health.blueprint,
    metrics.blueprint,
)

_making: Final = threading.Lock()


def create_api(read: Context) -> Flask:
    """The app with the API; opens nothing, starts nothing.

    The HTML of handover sheets is written by the pages, which are installed after it.
    """
    app = _frame()
    context.install(app, read)
    return app


def document_text() -> str:
    """The OpenAPI document as it is served and committed; needs no store."""
    return openapi.text_of(_frame())


def _frame() -> Flask:
    app = Flask("service.api", static_folder=None)
    app.json = StrictJson(app)
    app.url_map.strict_slashes = False
    app.config["MAX_CONTENT_LENGTH"] = PICTURES_BYTES
    compression.install(app)
    security_headers.install(app)
    auth.install(app)
    errors.register(app)
    for blueprint in _BLUEPRINTS:
        app.register_blueprint(blueprint)
    openapi.install(app, _document)
    request_checks.install(app, _taken)
    return app


def _document() -> Mapping[str, Any]:
    """The OpenAPI document, which is the same for every app.

    It is made when somebody first asks for it, since that takes longer than all the rest of an app.
    """
    with _making:
        return _made_document()


def _taken() -> Mapping[tuple[str, str], Taken]:
    """What each operation takes, which is the same for every app.

    From a document without units, limits and words of fields: they take 8 MB, and no check of a
    request reads them.
    """
    with _making:
        return _made_table()


@functools.cache
def _made_document() -> Mapping[str, Any]:
    return _documented(described=True)


@functools.cache
def _made_table() -> Mapping[tuple[str, str], Taken]:
    return request_checks.operations(_documented(described=False))


def _documented(*, described: bool) -> dict[str, Any]:
    app = Flask("service.api", static_folder=None)
    api = openapi.open_api(app, described=described)
    schemas.register(api.spec)
    readings_schemas.register(api.spec)
    submit.register(api.spec)
    recommendations.register(api.spec)
    for blueprint in _BLUEPRINTS:
        api.register_blueprint(blueprint)
    return openapi.document(app, api)
