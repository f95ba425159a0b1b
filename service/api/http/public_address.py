"""Whole addresses of pages, as people reach the service."""

from __future__ import annotations

from urllib.parse import urljoin

from flask import request

from service.api.context import current


def public_address(path: str) -> str:
    """The whole address of a path: under ``http.public_url``, else where it was asked for."""
    return urljoin(current().config.http.public_url or request.host_url, path)


def tank_page_address(tank: str) -> str:
    """The whole address of a tank's page."""
    return public_address(f"/tanks/{tank}")
