"""HTML of handover sheets and return reports: what the API asks of the pages."""

from __future__ import annotations

from typing import Final, Protocol, cast

from flask import Flask, Response, current_app

from service.advice.handover.return_report import ReturnReport
from service.advice.handover.sheet import HandoverSheet
from service.errors import LittoralError

_EXTENSION: Final = "littoral_handover_html"


class HandoverHtml(Protocol):
    """Writes as HTML what the API itself writes as JSON."""

    def sheet_page(self, sheet: HandoverSheet, *, shared: bool) -> Response:
        """A handover sheet; ``shared`` for whoever has a sharing link."""
        ...

    def report_page(self, report: ReturnReport) -> Response:
        """A report on return."""
        ...

    def shared_refusal(self, error: LittoralError) -> Response:
        """Why a sharing link shows nothing."""
        ...


def install(app: Flask, html: HandoverHtml) -> None:
    """Make the writer of HTML known to the views of an app."""
    app.extensions[_EXTENSION] = html


def current() -> HandoverHtml:
    """The writer of HTML of the app that serves this request."""
    return cast(HandoverHtml, current_app.extensions[_EXTENSION])
