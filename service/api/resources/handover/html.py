"""HTML of handover sheets and return reports: what the API asks of the pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol, cast

from flask import Flask, Response, current_app

from service.advice.handover.return_report import ReturnReport
from service.advice.handover.sheet import HandoverSheet
from service.errors import LittoralError
from service.registry.models.access import ShareLink

_EXTENSION: Final = "littoral_handover_html"


class SheetPage(Protocol):
    """Writes a handover sheet; ``shared`` for whoever has a sharing link."""

    def __call__(self, sheet: HandoverSheet, *, shared: bool = False) -> Response:
        """The page."""
        ...


class LinkPage(Protocol):
    """Writes what a sharing link that takes reports opens; ``address`` is that of the page."""

    def __call__(self, link: ShareLink, address: str, sheet: HandoverSheet) -> Response:
        """The page."""
        ...


@dataclass(frozen=True, slots=True)
class HandoverHtml:
    """Writes as HTML what the API itself writes as JSON.

    Attributes:
        sheet_page: a handover sheet.
        report_page: a report on return.
        link_page: the sheet of a sharing link that takes reports.
        link_refusal: why a sharing link shows nothing.
    """

    sheet_page: SheetPage
    report_page: Callable[[ReturnReport], Response]
    link_page: LinkPage
    link_refusal: Callable[[LittoralError], Response]


def install(app: Flask, html: HandoverHtml) -> None:
    """Make the writer of HTML known to the views of an app."""
    app.extensions[_EXTENSION] = html


def current() -> HandoverHtml:
    """The writer of HTML of the app that serves this request."""
    return cast(HandoverHtml, current_app.extensions[_EXTENSION])
