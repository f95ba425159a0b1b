"""Answers are sent gzipped to whoever takes it: text is a quarter as long on a phone's connection.

What has an entity tag of the API stays as it is, since the tag stands for the bytes that were sent
(RFC 9110, 8.8.3); files of the pages get a weak tag, by which they are revalidated all the same.
"""

from __future__ import annotations

import gzip
from functools import lru_cache
from typing import Final

from flask import Flask, Response, request

LEAST_BYTES: Final = 1400
"""What fits one packet is no faster compressed. Our choice."""

LEVEL: Final = 6
FILES_KEPT: Final = 64
"""Compressed files of the pages that are kept in memory."""

_TEXT: Final = frozenset(
    {
        "text/html",
        "text/css",
        "text/javascript",
        "text/plain",
        "text/calendar",
        "application/json",
        "application/problem+json",
        "image/svg+xml",
    }
)


def install(app: Flask) -> None:
    """Compress the answers of an app; before the other hooks, so that it runs after them."""
    app.after_request(compressed)


def compressed(response: Response) -> Response:
    """The answer, gzipped where that is allowed, asked for and worth it."""
    if response.mimetype not in _TEXT:
        return response
    response.vary.add("Accept-Encoding")
    tag, _ = response.get_etag()
    is_file = (request.endpoint or "").startswith("pages.static")
    if not _may(response, tagged=tag is not None and not is_file):
        return response
    response.direct_passthrough = False
    body = response.get_data()
    if len(body) < LEAST_BYTES:
        return response
    response.set_data(_file(body) if is_file else gzip.compress(body, LEVEL, mtime=0))
    response.headers["Content-Encoding"] = "gzip"
    if tag is not None:
        response.set_etag(tag, weak=True)
    return response


def _may(response: Response, *, tagged: bool) -> bool:
    """Whether an answer may be compressed: a whole one, for somebody who takes it."""
    return (
        response.status_code == 200
        and not tagged
        and "Content-Encoding" not in response.headers
        and (not response.is_streamed or response.direct_passthrough)
        and request.accept_encodings["gzip"] > 0
    )


@lru_cache(maxsize=FILES_KEPT)
def _file(body: bytes) -> bytes:
    return gzip.compress(body, LEVEL, mtime=0)
