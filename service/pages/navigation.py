"""Links in the head of every page: to the pages of the service, and to those of one tank.

A new page gets its row here; the order is the one that is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from flask import Blueprint, request, url_for

from service.api.context import now
from service.pages.audit import sees_audit
from service.pages.browser.auth import logged_in
from service.pages.handover.sheet import absences_begun
from service.pages.mail.recipients import sends_mail
from service.pages.sensors.arrivals import may_set_up


def _always() -> bool:
    return True


def _has_return_report() -> bool:
    return bool(absences_begun(now()))


@dataclass(frozen=True, slots=True)
class Place:
    """A page that the head links to.

    Attributes:
        words: of the link.
        endpoint: of the view; a page of one tank takes ``tank``, in its path or its query.
        shown: whether this visitor may see it.
    """

    words: str
    endpoint: str
    shown: Callable[[], bool] = _always


@dataclass(frozen=True, slots=True)
class Link:
    """A link as it is shown; ``current`` on the page that it leads to."""

    words: str
    address: str
    current: bool


SERVICE: Final = (
    Place("Tanks", "pages.tanks"),
    Place("Handover", "pages.handover"),
    Place("Absences", "pages.absences"),
    Place("Sharing links", "pages.links"),
    Place("Sensors", "pages.sensors", may_set_up),
    Place("Mail", "pages.mail", sends_mail),
    Place("Audit", "pages.audit", sees_audit),
    Place("API", "pages.docs"),
    Place("Sessions", "pages.sessions", logged_in),
)
"""Pages of the whole service."""

TANK: Final = (
    Place("Overview", "pages.tank"),
    Place("Sensors", "pages.tank_sensors"),
    Place("Pictures", "pages.pictures"),
    Place("What if", "pages.what_if"),
    Place("Trials", "pages.trials"),
    Place("Settings", "pages.settings"),
    Place("Handover sheet", "pages.handover"),
    Place("Return report", "pages.return_report", _has_return_report),
    Place("Calendar file", "calendar.tasks"),
)
"""Pages of one tank."""


def register(pages: Blueprint) -> None:
    """Give the templates ``service_links()`` and ``tank_links(tank)``."""
    pages.app_context_processor(lambda: {"service_links": service_links, "tank_links": tank_links})


def service_links() -> tuple[Link, ...]:
    """The links to the pages of the service that this visitor may see."""
    return tuple(_links(SERVICE))


def tank_links(tank: str) -> tuple[Link, ...]:
    """The links to the pages of a tank, by its id."""
    return tuple(_links(TANK, tank=tank))


def _links(places: Iterable[Place], **values: str) -> Iterable[Link]:
    for one in places:
        if one.shown():
            address = url_for(one.endpoint, _external=False, **values)
            yield Link(one.words, address, request.endpoint == one.endpoint)
