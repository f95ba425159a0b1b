"""The page "Sensors": what arrives at the broker now, what is stored of it, and the routes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.api.http.access.auth import scope_of_visitor
from service.api.resources.broker.routes import add_route, known_routes
from service.api.resources.broker.traffic import (
    EVERYTHING,
    Traffic,
    excerpt_of,
    last_message,
    present_traffic,
    preview,
)
from service.config import RouteConfig
from service.errors import InvalidInputError, LittoralError
from service.mqtt.listening import LONGEST_TOPIC, is_filter
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.quantities import QUANTITIES, quantity_title, quantity_words
from service.registry.fields.route import RouteSchema
from service.registry.models.access import Scope

#: Keys of a route that the form asks for or carries.
_KEYS: Final = ("topic", "tank", "quantity", "sensor", "format", "path", "unit")
_UNKNOWN_WORDS: Final = {
    "tank": "which tank it is",
    "quantity": "what it measures",
    "sensor": "a name for each sensor",
    "unit": "its unit",
    "path": "where in the message the value is",
}

Answer = str | Response | tuple[str, int]


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/sensors", "sensors", sensors)
    pages.add_url_rule("/sensors/route", "route", route_form)
    pages.add_url_rule("/sensors/routes", "make_route", make_route, methods=["POST"])
    pages.add_url_rule(
        "/sensors/routes/<id>/delete", "delete_route", delete_route, methods=["POST"]
    )
    pages.add_app_template_filter(quantity_words)


def may_set_up() -> bool:
    """Whether whoever makes this request may see what arrives and make routes."""
    scope = scope_of_visitor()
    return scope is not None and scope.covers(Scope.WRITE)


def sensors() -> str:
    """What arrives at the broker now, as long as this page is open."""
    return _page()


def route_form() -> Answer:
    """The form for one route, with what it would make of the last message."""
    given = _given(request.args)
    return _form(given, tried=bool(given["tank"] and given["quantity"]))


def make_route() -> Answer:
    """Make the route of the form, then show what arrives."""
    given = _given(request.form)
    try:
        csrf.check_form()
        if "tried" in request.form:
            return _form(given, tried=True)
        made = add_route(current(), _route(given))
    except LittoralError as error:
        return _form(given, error), error.kind.status
    route = made.route
    flash(f"{_words_of(route)} comes from {route.topic} now. The ingester takes seconds for it.")
    return redirect(url_for("pages.sensors"), 303)


def delete_route(id: str) -> Answer:
    """Delete a route that was made here."""
    try:
        csrf.check_form()
        deleted = current().registry.delete_route(id)
    except LittoralError as error:
        return _page(error.detail), error.kind.status
    flash(f"Deleted: the route of {deleted.route.topic}. The readings that it brought stay.")
    return redirect(url_for("pages.sensors", _anchor="routes"), 303)


def _page(trouble: str = "") -> str:
    wanted = request.args.get("filter", EVERYTHING).strip() or EVERYTHING
    fault = "" if is_filter(wanted) else "That is no topic filter; allowed: one such as yard/#."
    traffic = present_traffic(current(), EVERYTHING if fault else wanted)
    return render_template(
        "pages/sensors.html",
        trouble=trouble,
        wanted=wanted,
        fault=fault,
        traffic=traffic,
        unrouted=[one for one in traffic.topics if not one.routed],
        routed=[one for one in traffic.topics if one.routed],
        routes=known_routes(current()),
        names=_tank_names(),
        unknown=_UNKNOWN_WORDS,
        values_of=_values_of,
        words_of=_words_of,
        local_time=LocalTime("UTC", now()),
        mqtt_trouble=_words(traffic),
    )


def _words_of(route: RouteConfig) -> str:
    """What a route feeds, for people."""
    tank = _tank_names().get(route.tank or "", route.tank) or "the tank that the topic names"
    if route.quantity is None:
        return f"What the topic or the message names, of {tank}"
    sensor = f", sensor {route.sensor}" if route.sensor else ""
    unit = f", in {route.unit}" if route.unit else ""
    return f"{quantity_title(route.quantity)} of {tank}{sensor}{unit}"


def _words(traffic: Traffic) -> str:
    """Where listening stands, for people."""
    if traffic.hearing.trouble:
        return ""
    if not traffic.hearing.listening:
        return "Connecting to the broker…"
    return f"Listening for {traffic.hearing.for_s:.0f} s."


def _tank_names() -> dict[str, str]:
    return {tank.id: tank.name for tank in current().registry.tanks()}


def _given(sent: Mapping[str, str]) -> dict[str, str]:
    return {key: sent.get(key, "").strip()[:LONGEST_TOPIC] for key in _KEYS}


def _values_of(route: RouteConfig) -> dict[str, str]:
    """What the form carries of a route."""
    found = {key: getattr(route, key) for key in _KEYS}
    return {key: value for key, value in found.items() if value and value != "auto"}


def _route(given: Mapping[str, str]) -> RouteConfig:
    """The route of a form.

    Raises:
        InvalidInputError: a field is not allowed, or one that is needed is empty.
    """
    for key, allowed in (("tank", "one of the tanks"), ("quantity", ", ".join(QUANTITIES))):
        if not given[key] and given["format"] not in ("senml", "line"):
            raise InvalidInputError.of_field(key, "", allowed)
    filled = {key: value for key, value in given.items() if value}
    loaded: RouteConfig = RouteSchema().load(filled)
    return loaded


def _form(given: dict[str, str], error: LittoralError | None = None, *, tried: bool = False) -> str:
    faults = {one.pointer.strip("/"): one.detail for one in error.faults} if error else {}
    heard = last_message(given["topic"])
    offer = None
    if tried and error is None:
        try:
            offer = preview(current(), _route(given), heard)
        except InvalidInputError as refused:
            error, faults = refused, {one.pointer.strip("/"): one.detail for one in refused.faults}
    return render_template(
        "pages/route.html",
        given=given,
        error=error,
        faults=faults,
        others=[one for name, one in faults.items() if name not in _KEYS],
        payload="" if heard is None else excerpt_of(heard),
        offer=offer,
        names=_tank_names(),
        quantities=QUANTITIES,
        named=given["format"] in ("senml", "line"),
    )
