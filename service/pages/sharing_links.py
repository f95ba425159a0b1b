"""Sharing links for people: make one, see which there are, end one."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from urllib.parse import urlsplit

from flask import Blueprint, flash, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response

from service.advice.handover.absence import absence_of, tanks_of
from service.api.context import current, now
from service.api.http.access.own_machine import is_loopback
from service.api.resources.handover.reporting import address_of
from service.errors import InvalidInputError, LittoralError
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.qr_code import qr_svg

LENGTHS: Final = (3, 7, 14, 30)
"""Days from now on that a link may be made for. Our choice."""

USUAL_DAYS: Final = 7
REPORTS: Final = "report"
"""What the form sends for a link that takes reports."""
_ABSENCE, _DAYS = "absence:", "days:"

Answer = str | Response | tuple[str, int]


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/handover/links", "links", links_page)
    pages.add_url_rule("/handover/links", "make_link", make_link, methods=["POST"])
    pages.add_url_rule("/handover/links/<id>/end", "end_link", end_link, methods=["POST"])


def links_page() -> str:
    """The links that are valid, and a form to make one."""
    return _page()


def make_link() -> Answer:
    """Make a link from the form and show it, this once."""
    try:
        csrf.check_form()
        tank = current().registry.tank(request.form.get("tank", ""))
        start, end = _span(request.form.get("covers", ""), tank.id)
        _, secret = current().registry.create_share(
            tank.id,
            start,
            end,
            now(),
            expires=end,
            name=request.form.get("name", "").strip(),
            may_report=request.form.get("right") == REPORTS,
        )
    except LittoralError as error:
        return _page(trouble=error.detail), error.kind.status
    address = address_of(secret)
    return _page(made=address, qr=Markup(qr_svg(address, "QR code of the link")))


def end_link(id: str) -> Answer:
    """End a link at once."""
    try:
        csrf.check_form()
        link = current().registry.revoke_share(id, now())
    except LittoralError as error:
        return _page(trouble=error.detail), error.kind.status
    flash(f"The link to the sheet of {current().registry.tank(link.tank).name} is ended.")
    return redirect(url_for("pages.links"), 303)


def _page(*, made: str = "", qr: Markup | None = None, trouble: str = "") -> str:
    registry, moment = current().registry, now()
    tanks = {tank.id: tank for tank in registry.tanks()}
    host = urlsplit(made).hostname or ""
    zone = next(iter(tanks.values())).time_zone if tanks else "UTC"
    return render_template(
        "pages/links.html",
        tanks=tanks,
        absences=[one for one in registry.absences() if one.end > moment],
        lengths=LENGTHS,
        usual_days=USUAL_DAYS,
        given=request.form,
        made=made,
        qr=qr,
        here_only=host == "localhost" or is_loopback(host),
        trouble=trouble,
        valid=[one for one in registry.shares() if one.valid(moment)],
        local_times={id: LocalTime(tank.time_zone, moment) for id, tank in tanks.items()},
        whole=LocalTime(zone, moment),
    )


def _span(covers: str, tank: str) -> tuple[datetime, datetime]:
    """The span that the form's choice means.

    Raises:
        NotFoundError: there is no such absence.
        InvalidInputError: the absence is not about the tank, or the choice is none of the form's.
    """
    registry, moment = current().registry, now()
    if covers.startswith(_ABSENCE):
        absence = absence_of(covers.removeprefix(_ABSENCE), registry)
        tanks_of(absence, registry, tank)
        return absence.start, absence.end
    for days in LENGTHS:
        if covers == f"{_DAYS}{days}":
            return moment, moment + timedelta(days=days)
    raise InvalidInputError.of_field("covers", covers[:64], "one of those in the form")
