"""Puts the pages into an app that already has the API."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Flask

from service.pages import gate, guard, handover_pages, link_pages, parts, refusals, tank_pages
from service.pages.figures import unit_words
from service.pages.gate import Gate
from service.pages.parts import Parts

PURPOSE = "pages"


def install(app: Flask, source: Parts, entrance: Gate) -> None:
    """Add the pages to an app.

    Args:
        app: has the API under ``/v1``, which the charts read.
        source: store, registry and clock; the API's context fits.
        entrance: lets requests in as the API does.

    Raises:
        RegistryUnavailableError: the key of the session cookie cannot be read.
    """
    parts.attach(app, source)
    gate.attach(app, entrance)
    guard.install(app, source.registry.signing_key(PURPOSE))
    app.register_blueprint(_blueprint())
    refusals.register_elsewhere(app)


def _blueprint() -> Blueprint:
    pages = Blueprint(
        "pages",
        __name__,
        template_folder="templates",
        static_folder="static",
        static_url_path="/pages/static",
    )
    gate.register(pages)
    tank_pages.register(pages)
    handover_pages.register(pages)
    link_pages.register(pages)
    pages.after_request(guard.secure)
    pages.app_context_processor(_everywhere)  # the API answers with the sheet as well
    pages.add_app_template_filter(unit_words)
    refusals.register(pages)
    return pages


def _everywhere() -> dict[str, Any]:
    return {"form_token": guard.form_token, "token_name": guard.TOKEN, "logged_in": gate.logged_in}
