"""Which form of an answer a request accepts (RFC 9110)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from flask import request

from service.api.http.problems.problem_json import MEDIA_TYPE as PROBLEM
from service.errors import LittoralError, shown
from service.problems import PROBLEMS

JSON: Final = "application/json"
HTML: Final = "text/html"
CALENDAR: Final = "text/calendar"


class NotAcceptableError(LittoralError):
    """The address has none of the forms that the request accepts."""

    kind = PROBLEMS["not-acceptable"]


def accepted(offers: Sequence[str]) -> str:
    """The media type to answer with; the first where anything is accepted.

    Args:
        offers: what there is, the usual one first.

    Raises:
        NotAcceptableError: the request accepts none of them.
    """
    wanted = request.accept_mimetypes
    if not wanted:
        return offers[0]
    found: str | None = wanted.best_match(offers)
    if found is None:
        raise NotAcceptableError(f"Accept is {shown(str(wanted))}; allowed: {', '.join(offers)}")
    return found


def prefers_pages() -> bool:
    """Whether an error is better shown as a page, as to a browser."""
    return request.accept_mimetypes.best_match([PROBLEM, JSON, HTML]) == HTML
