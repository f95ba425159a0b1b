"""Puts the pages into an app that already has the API."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from flask import Blueprint, Flask

from service.advice.cautions import NO_SAFETY_DEVICE
from service.api.resources.handover import html
from service.pages import api_docs, audit, navigation, sessions, sharing_links, tanks, what_if
from service.pages.browser import auth, cookie, csrf, error_pages, headers
from service.pages.handover import absences, sheet
from service.pages.mail import recipients, unsubscribing
from service.pages.number_format import unit_words
from service.pages.pictures import page as pictures_page
from service.pages.sensors import arrivals, calibration, of_tank
from service.pages.settings import first_steps, new_tank, tank_settings
from service.pages.shared import install as link_install
from service.pages.shared import page, report_form
from service.pages.trials import views as trials
from service.registry.registry import Registry

_STATIC: Final = Path(__file__).with_name("static")


def install(app: Flask, registry: Registry) -> None:
    """Add the pages to an app.

    Args:
        app: has the API and its context.
        registry: has the key that signs the cookie.

    Raises:
        RegistryUnavailableError: the key of the cookie cannot be read.
    """
    cookie.install(app, registry.signing_key())
    csrf.install(app)
    html.install(
        app,
        html.HandoverHtml(sheet.sheet_page, sheet.report_page, page.link_page, page.link_refusal),
    )
    app.register_blueprint(_blueprint())
    error_pages.register_elsewhere(app)
    auth.register_elsewhere(app)


def _blueprint() -> Blueprint:
    pages = Blueprint(
        "pages",
        __name__,
        template_folder="templates",
        static_folder="static",
        static_url_path=f"/pages/static/{headers.hash_of(_STATIC)}",
    )
    pages.add_url_rule(
        "/pages/static/<path:filename>", "static_without_hash", pages.send_static_file
    )
    pages.before_request(cookie.prepare_page)
    auth.register(pages)
    tanks.register(pages)
    new_tank.register(pages)
    tank_settings.register(pages)
    first_steps.register(pages)
    what_if.register(pages)
    pictures_page.register(pages)
    trials.register(pages)
    sheet.register(pages)
    absences.register(pages)
    sharing_links.register(pages)
    recipients.register(pages)
    unsubscribing.register(pages)
    report_form.register(pages)
    link_install.register(pages)
    sessions.register(pages)
    audit.register(pages)
    arrivals.register(pages)
    of_tank.register(pages)
    calibration.register(pages)
    navigation.register(pages)
    api_docs.register(pages)
    pages.after_request(headers.secure)
    pages.app_context_processor(_everywhere)  # the API answers with the sheet as well
    pages.add_app_template_filter(unit_words)
    error_pages.register(pages)
    return pages


def _everywhere() -> dict[str, Any]:
    return {"logged_in": auth.logged_in, "disclaimer": NO_SAFETY_DEVICE}
