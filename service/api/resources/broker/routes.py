"""``/v1/routes``: which MQTT topics feed which tanks, by the configuration and by people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from flask.views import MethodView

from ingest.process import RoutesInUse, routes_in_use, why_refused
from service.api.context import Context, current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import ROUTE
from service.api.http.problems.faults import invalid_field
from service.config import RouteConfig
from service.registry.fields.route import RouteSchema
from service.registry.models.ingest import StoredRoute
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Text
from service.schemas.times import Moment

CONFIGURATION: Final = "configuration"
REGISTRY: Final = "registry"

blueprint = Blueprint(
    "routes", __name__, url_prefix="/v1/routes", description="Which topics feed which tanks."
)


class KnownRouteSchema(AnswerSchema):
    """A route, and where it comes from."""

    id = Text("Of one that was made here; null: it is in the configuration.", allow_none=True)
    origin = Choice(words=(CONFIGURATION, REGISTRY))
    created = Moment("Null for one of the configuration.", allow_none=True)
    by = Text("Who made it; may be empty.")
    unused = Text("Why it cannot be used; null: it is used.", allow_none=True, longest=2000)
    route = Nested(RouteSchema)


class RoutesSchema(AnswerSchema):
    """All routes, in the order in which they count."""

    routes = Items(KnownRouteSchema)
    next = Text(allow_none=True)


@blueprint.at("")
class RoutesView(MethodView):
    """Routes."""

    @blueprint.answers(200, RoutesSchema)
    def get(self) -> dict[str, Any]:
        """All routes: those of the configuration, then those that were made here"""
        return {"routes": known_routes(current()), "next": None}

    @blueprint.body(
        RouteSchema,
        example={"topic": "yard/box/ph_value", "tank": "riffle", "quantity": "ph"},
    )
    @blueprint.answers(201, KnownRouteSchema)
    @blueprint.also_answers(409, description="It does not go with a route that is there.")
    def post(self, body: RouteConfig) -> With:
        """Make a route

        A running ingester uses it within seconds. One that would write two values of a message into
        one series, or feed a series that another topic feeds already, is refused.
        """
        return _shown(add_route(current(), body), None)


@blueprint.at("/<id>", "DELETE", parameters=ROUTE)
@blueprint.answers(200, KnownRouteSchema)
def delete(id: str) -> With:
    """Delete a route that was made here; the readings that it brought stay"""
    return _shown(current().registry.delete_route(id), None)


def add_route(context: Context, route: RouteConfig) -> StoredRoute:
    """Make a route that goes with those that are there.

    Raises:
        InvalidInputError: a field is not allowed.
        ConflictError: it does not go with another.
    """
    registry = context.registry
    if route.tank is not None and route.tank not in registry.tank_ids():
        raise invalid_field("/tank", route.tank, "the id of a registered tank")

    def refused(stored: Sequence[StoredRoute]) -> str | None:
        return why_refused(route, routes_in_use(context.config.routes, stored).routes)

    return registry.add_route(route, now(), why_refused=refused)


def present_routes(context: Context) -> RoutesInUse:
    """The routes that the ingester uses now, or within seconds."""
    return routes_in_use(context.config.routes, context.registry.routes())


def known_routes(context: Context) -> list[With]:
    """All routes with their origin, those of the configuration first."""
    left_out = present_routes(context).left_out
    configured = [
        With(one, id=None, origin=CONFIGURATION, created=None, by="", unused=None, route=one)
        for one in context.config.routes
    ]
    return [*configured, *(_shown(one, left_out.get(one.id)) for one in context.registry.routes())]


def _shown(one: StoredRoute, unused: str | None) -> With:
    return With(one, origin=REGISTRY, unused=unused)
