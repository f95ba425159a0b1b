"""The routes in use: those of the configuration, and those of the registry that go with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ingest.decode.message import PayloadError
from ingest.decode.route_conflicts import conflict
from ingest.decode.routes import Router
from ingest.decode.units import conversion_to
from service.config import RouteConfig
from service.errors import ConfigError
from service.registry.models.ingest import StoredRoute
from service.store import DEFAULT_SENSOR


@dataclass(frozen=True, slots=True)
class RoutesInUse:
    """Routes that go together.

    Attributes:
        routes: in the order in which they count, those of the configuration first.
        left_out: ids of stored routes that cannot be used -> why not, a sentence.
    """

    routes: tuple[RouteConfig, ...]
    left_out: Mapping[str, str]


def routes_in_use(configured: Sequence[RouteConfig], stored: Iterable[StoredRoute]) -> RoutesInUse:
    """Those of the configuration, and of the stored ones those that contradict none before them."""
    used, left_out = list(configured), dict[str, str]()
    for one in stored:
        if said := fault_of(one.route) or _contradiction(one.route, used):
            left_out[one.id] = said
        else:
            used.append(one.route)
    return RoutesInUse(tuple(used), left_out)


def why_refused(route: RouteConfig, others: Sequence[RouteConfig]) -> str | None:
    """Why a new route is not taken beside others, a sentence; None: it is.

    One that feeds a series which another topic feeds already would mix two sensors into one.
    """
    if said := fault_of(route) or _contradiction(route, others):
        return said
    for other in others:
        if _series(route) is not None and _series(route) == _series(other):
            return (
                f"the route of {other.topic!r:.120} feeds {route.quantity} of {route.tank}, sensor "
                f"{route.sensor or DEFAULT_SENSOR}, already; give this one another sensor, or "
                "delete that route first"
            )
    return None


def fault_of(route: RouteConfig) -> str | None:
    """What is wrong with a route by itself; None: nothing."""
    try:
        Router("", [route])
        if route.quantity is not None:
            conversion_to(route.quantity, route.unit)
    except ConfigError as error:
        return error.detail
    except PayloadError as error:
        return error.detail
    return None


def _contradiction(route: RouteConfig, others: Iterable[RouteConfig]) -> str | None:
    return next((said for other in others if (said := conflict(route, other))), None)


def _series(route: RouteConfig) -> tuple[str, str, str] | None:
    """The series of a route that names all of it, or leaves its sensor to be the usual one."""
    named = "{sensor}" in route.topic or route.format in ("senml", "line")
    if route.tank is None or route.quantity is None or (named and route.sensor is None):
        return None
    return route.tank, route.quantity, route.sensor or DEFAULT_SENSOR
