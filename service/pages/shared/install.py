"""What puts a link's page on a phone's home screen: its manifest, and the worker for no connection.

Both are of one link and reach no further: the manifest's scope and the worker's are its address.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from flask import Blueprint, Response, url_for

from service.api.context import current
from service.api.http.problems.errors import answer
from service.api.resources.handover.reporting import reporting_link
from service.errors import LittoralError

MANIFEST_TYPE: Final = "application/manifest+json"
ICONS: Final = {"shared/icon-192.png": 192, "shared/icon-512.png": 512}
FILES: Final = (
    "littoral.css",
    "shore.svg",
    "shared/round.css",
    "shared/round.js",
    "shared/outbox.js",
    "pictures/shrink.js",
    "shared/icon-192.png",
)
"""What the page needs without a connection."""

_WORKER: Final = Path(__file__).with_name("worker.js")
_PAPER: Final = "#f7f4ec"
_WATER: Final = "#0c5a66"
"""The colours of littoral.css by day."""


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/shared/<secret>/app.webmanifest", "link_manifest", manifest)
    pages.add_url_rule("/shared/<secret>/worker.js", "link_worker", worker)


def manifest(secret: str) -> Response:
    """The web app manifest of a link (W3C Web Application Manifest)."""
    try:
        link = reporting_link(secret)
    except LittoralError as error:
        return answer(error.kind, error.detail)
    address = url_for("shared.shared_sheet", secret=secret)
    name = current().registry.tank(link.tank).name
    body: dict[str, Any] = {
        "id": address,
        "name": f"{name}: tasks",
        "short_name": name[:30],
        "lang": "en",
        "start_url": address,
        "scope": address,
        "display": "standalone",
        "background_color": _PAPER,
        "theme_color": _WATER,
        "icons": [
            {
                "src": url_for("pages.static", filename=file),
                "sizes": f"{size}x{size}",
                "type": "image/png",
                "purpose": purpose,
            }
            for file, size in ICONS.items()
            for purpose in ("any", "maskable")
        ],
    }
    return Response(json.dumps(body) + "\n", mimetype=MANIFEST_TYPE)


def worker(secret: str) -> Response:
    """The service worker of a link, with the addresses that it keeps."""
    try:
        reporting_link(secret)
    except LittoralError as error:
        return answer(error.kind, error.detail)
    address = url_for("shared.shared_sheet", secret=secret)
    files = [url_for("pages.static", filename=name) for name in FILES]
    constants = {"page": address, "files": files}
    text = _WORKER.read_text(encoding="utf-8")
    response = Response(
        f"const LINK = Object.freeze({json.dumps(constants)});\n{text}",
        mimetype="text/javascript",
    )
    # Its own folder would be the scope else, and the page's address has no slash at its end.
    response.headers["Service-Worker-Allowed"] = address
    response.headers["Cache-Control"] = "private, no-cache"
    return response
