"""Policy of the pages, and how long browsers keep their files."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from flask import Response, request

from service.api.http.security_headers import PAGES, POLICY

FOR_GOOD: Final = "public, max-age=31536000, immutable"
"""What lies at an address with a hash of all files never changes (RFC 8246)."""


def hash_of(folder: Path) -> str:
    """Twelve digits that change with any file in a folder."""
    found = hashlib.sha256()
    for file in sorted(one for one in folder.rglob("*") if one.is_file()):
        found.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes())
    return found.hexdigest()[:12]


def secure(response: Response) -> Response:
    """The response with the policy of every page."""
    response.headers[POLICY] = PAGES
    if request.endpoint == "pages.static":
        response.headers["Cache-Control"] = FOR_GOOD
    if response.mimetype == "text/html":
        response.headers["Cache-Control"] = "private, no-cache"
    return response
