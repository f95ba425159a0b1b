"""Asking the running service over HTTP, as any script would."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import requests

from service.errors import LittoralError
from service.times import from_us

TIMEOUT_S = 30.0


class AnswerError(LittoralError):
    """The service answered something else than was asked for."""


class Service:
    """The service at one address."""

    def __init__(self, base: str) -> None:
        self._base = base
        self._session = requests.Session()

    def get(self, path: str, **query: str) -> Any:
        """The JSON that a path answers.

        Raises:
            AnswerError: not reachable, an error, or no JSON.
        """
        return self._answer("GET", path, params=query)

    def post(self, path: str, body: Any) -> Any:
        """The JSON that a path answers to a JSON body.

        Raises:
            AnswerError: not reachable, an error, or no JSON.
        """
        return self._answer("POST", path, json=body)

    def _answer(self, method: str, path: str, **more: Any) -> Any:
        try:
            found = self._session.request(method, self._base + path, timeout=TIMEOUT_S, **more)
        except requests.RequestException as error:
            raise AnswerError(f"{method} {path}: {error}") from error
        if found.status_code != requests.codes.ok:
            raise AnswerError(f"{method} {path}: {found.status_code} {found.text[:300]}")
        try:
            return found.json()
        except requests.JSONDecodeError as error:
            raise AnswerError(f"{method} {path}: no JSON: {found.text[:80]!r}") from error


def moment(time_us: int) -> str:
    """A time as the API takes it: RFC 3339, UTC."""
    return from_us(time_us).isoformat().replace("+00:00", "Z")


def time_of(text: str) -> datetime:
    """A time as the API gives it."""
    return datetime.fromisoformat(text)
