"""Where to lead a visitor after logging in: to a page of this service, and nowhere else."""

from __future__ import annotations

from typing import Final
from urllib.parse import parse_qsl, unquote, urlencode, urlsplit

from flask import current_app, request, url_for
from werkzeug.exceptions import HTTPException

from service.api.http.access.rules import OPEN

FIRST: Final = "/"
_PAGES: Final = "pages."
_LONGEST: Final = 2000


def own_page(address: str) -> str:
    """The page that an address names, or the first page where it names none.

    What browsers read otherwise than it is written (backslashes, tabs and line ends inside, a
    second slash, another scheme, percent forms of all of them) is no page: the router is asked,
    and the address that is returned is built anew from its answer.
    """
    if not address.startswith("/") or len(address) > _LONGEST or not address.isprintable():
        return FIRST
    try:
        parts = urlsplit(address)
        path, query = unquote(parts.path, errors="strict"), parse_qsl(parts.query, True)
        if parts.netloc or not path.isprintable():
            return FIRST
        adapter = current_app.create_url_adapter(request)
        assert adapter is not None  # there is a request
        endpoint, values = adapter.match(path, method="GET")
    except (HTTPException, ValueError):
        return FIRST
    if not endpoint.startswith(_PAGES) or endpoint in OPEN:
        return FIRST
    return url_for(endpoint, **values) + ("?" + urlencode(query) if query else "")
