"""Takes the forms of a link's page from a browser without script."""

from __future__ import annotations

from typing import Any, Final

import marshmallow as ma
from flask import Blueprint, flash, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from service.api.http.request_checks import form_with_pictures
from service.api.resources.handover.link_reports import ReportInSchema
from service.api.resources.handover.reporting import reporting_link, taken
from service.api.resources.handover.signed_ticks import tick_of
from service.api.resources.pictures.uploads import limit_parts, sent_pictures
from service.errors import LittoralError
from service.pages.browser import csrf
from service.pages.observe import LEVEL, OBSERVED
from service.pages.shared.form import NOTE, NUMBER, Refused, ReportForm
from service.pages.shared.page import link_page, link_refusal
from service.registry.fields.log.kinds import KINDS
from service.registry.models.access import ShareLink
from service.registry.models.log import LogKind
from service.schemas.entry import json_of
from service.schemas.fields import Field
from service.schemas.messages import error_of_messages

_SCHEMA: Final = ReportInSchema()


def register(pages: Blueprint) -> None:
    """Add the view to the blueprint."""
    pages.add_url_rule("/shared/<secret>/report", "report", report, methods=["POST"])


@form_with_pictures
def report(secret: str) -> AnyResponse:
    """Take one report, then show the page again."""
    address = url_for("shared.shared_sheet", secret=secret)
    try:
        link = reporting_link(secret)
    except LittoralError as error:
        return link_refusal(error)
    limit_parts()
    given = {name: value for name, value in request.form.items() if name != csrf.FIELD}
    task = given.get("task", "")
    try:
        csrf.check_form()
        stored, fresh = taken(link, **_body(link, given), files=sent_pictures())
    except LittoralError as error:
        return _shown_again(link, address, Refused(task, given, error))
    flash(f"Reported: {stored.title}." if fresh else f"This had been reported: {stored.title}.")
    return redirect(f"{address}#reported", 303)


def _body(link: ShareLink, given: dict[str, str]) -> dict[str, Any]:
    """The report as JSON has it.

    Raises:
        InvalidInputError: something is missing or not allowed.
    """
    body: dict[str, Any] = {name: given[name] for name in ("task", "key") if name in given}
    if OBSERVED in given:
        level = given.get(LEVEL, "")
        body["observation"] = {
            "kind": given[OBSERVED],
            "level": int(level) if level.isascii() and level.isdigit() else level,
        }
    body[NOTE] = given.get(NOTE, "").strip().replace("\r\n", "\n")
    text = given.get(NUMBER, "").strip()
    form = ReportForm(body.get("task", ""), tick_of(body.get("task", ""), link))
    if form.asked is not None and text and text != form.tick_number:
        field = KINDS[LogKind(form.tick.kind)].fields[form.asked.field]
        assert isinstance(field, Field)
        try:
            body[NUMBER] = json_of(field, text, form.asked.unit)
        except ma.ValidationError as error:
            raise error_of_messages({NUMBER: error.messages}) from error
    try:
        loaded: dict[str, Any] = _SCHEMA.load(body)
    except ma.ValidationError as error:
        raise error_of_messages(error.messages) from error
    return loaded


def _shown_again(link: ShareLink, address: str, refused: Refused) -> AnyResponse:
    try:
        return link_page(link, address, refused=refused)
    except LittoralError as error:
        return link_refusal(error)
