"""``/metrics``: what a monitoring system scrapes."""

from __future__ import annotations

from typing import Any, Final

from flask import Response, request

from service.api.context import current
from service.api.http.blueprint import Blueprint

CLASSIC: Final = "text/plain"
OPEN_METRICS: Final = "application/openmetrics-text"

blueprint = Blueprint("metrics", __name__, description="For monitoring systems.")

_ALSO_OPEN_METRICS: Final[dict[int, Any]] = {
    200: {"content": {OPEN_METRICS: {"schema": {"type": "string"}}}}
}


@blueprint.at("/metrics", "GET")
@blueprint.answers(
    200,
    {"type": "string"},
    description="Text format of Prometheus, or OpenMetrics 1.0.",
    content_type=CLASSIC,
)
@blueprint.described(responses=_ALSO_OPEN_METRICS)
def metrics() -> Response:
    """Readings, derived values, advice and the service's health

    OpenMetrics where the request accepts it, else the classic text format.
    """
    text, media_type = current().metrics.exposition(request.headers.get("Accept", ""))
    headers = {"Content-Type": media_type, "Cache-Control": "no-store", "Vary": "Accept"}
    return Response(text, headers=headers)
