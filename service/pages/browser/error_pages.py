"""Error pages."""

from __future__ import annotations

import logging
import uuid
from collections.abc import Callable
from typing import Any, Final

from flask import Blueprint, Flask, make_response, render_template, request
from werkzeug.exceptions import HTTPException, NotFound
from werkzeug.wrappers import Response

from service.api.http.problems.errors import logged_address
from service.errors import LittoralError, NoSuchTankError
from service.pages.browser import headers

log = logging.getLogger(__name__)

_HTML: Final = "text/html"
_JSON: Final = "application/problem+json"

Answer = tuple[str, int]


def register(pages: Blueprint) -> None:
    """Show every error on a page as a page."""
    pages.register_error_handler(LittoralError, refused)
    pages.register_error_handler(HTTPException, _http)
    pages.register_error_handler(Exception, _unexpected)


def register_elsewhere(app: Flask) -> None:
    """Show a browser a page also at an address that does not exist.

    Others, and whatever lies below ``/v1``, are answered as before.
    """
    before: Callable[[Any], Any] = app.error_handler_spec[None][None][HTTPException]

    def nothing_here(error: NotFound) -> Any:
        if not is_for_people():
            return before(error)
        return headers.secure(make_response(_http(error)))

    app.register_error_handler(404, nothing_here)


def is_for_people() -> bool:
    """Whether a request to an address that does not exist is a browser's, and not to the API."""
    liked = request.accept_mimetypes.best_match([_JSON, _HTML])
    return liked == _HTML and not request.path.startswith("/v1/")


def _page(title: str, detail: str, status: int, faults: Any = ()) -> Answer:
    page = render_template("pages/refusal.html", title=title, detail=detail, faults=faults)
    return page, status


def refused(error: LittoralError) -> Answer:
    """An error as a page."""
    tank = (request.view_args or {}).get("tank")
    if isinstance(error, NoSuchTankError) and tank:
        detail = f"There is no tank “{tank}” here. Perhaps it was deleted, or has another id."
        return _page("No such tank", detail, error.kind.status)
    return _page(error.kind.title, error.detail, error.kind.status, error.faults)


def _http(error: HTTPException) -> Answer | Response | HTTPException:
    if error.code is None or error.code < 400:
        return error  # a redirect
    if error.code == 404:
        return _page("Nothing here", f"There is no page at {request.path}.", 404)
    return _page(error.name, str(error.description), error.code)


def _unexpected(error: Exception) -> Answer:
    mark = uuid.uuid4()
    log.error("%s %s failed, %s", request.method, logged_address(), mark, exc_info=error)
    detail = f"This is a defect in the service. Its log has the particulars under {mark}."
    return _page("The page failed", detail, 500)
