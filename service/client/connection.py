"""The HTTP side of the client: requests, parts of lists, changes on condition."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final

import requests

from service.client.errors import ClientError, ProblemError, UnreachableError, problem_of

DEFAULT_URL: Final = "http://127.0.0.1:8600"
_ATTEMPTS: Final = 5
"""To change a document while somebody else changes it as well. Our choice."""


class Connection:
    """Requests to one running service.

    Every method raises ``ProblemError`` when the service refuses, ``UnreachableError`` when it
    does not answer, and ``ClientError`` when the answer cannot be understood.
    """

    def __init__(
        self, url: str = DEFAULT_URL, token: str | None = None, *, timeout_s: float = 30.0
    ) -> None:
        """Prepare; nothing is requested yet.

        Args:
            url: where the service answers.
            token: bearer token, where the service requires one.

        Raises:
            ClientError: the token has characters that none has.
        """
        self.url = url.rstrip("/")
        self._timeout_s = timeout_s
        self._session = requests.Session()
        if token:
            if not (token.isascii() and token.isprintable()):
                raise ClientError("the token has characters that no token has; allowed: ASCII")
            self._session.headers["Authorization"] = f"Bearer {token}"

    def get(self, path: str, **options: str) -> Any:
        """The JSON that a path answers."""
        return self._answer("GET", path, params=options)

    def send(self, method: str, path: str, body: Any, **headers: str) -> Any:
        """The JSON that a path answers to a JSON body; None: no body."""
        return self._answer(method, path, json=body, headers=headers)

    def edit(self, path: str, method: str, change: Callable[[Any], Any]) -> Any:
        """Send what a change makes of the JSON of a path, if that is still as it was read.

        Reads and changes it anew when somebody else has written meanwhile.

        Args:
            method: ``PUT`` or ``PATCH``.
            change: the JSON that is there -> the body to send.
        """
        for attempt in range(_ATTEMPTS):
            response = self._response("GET", path)
            body = change(self._json(response, path))
            try:
                return self.send(method, path, body, **{"If-Match": response.headers["ETag"]})
            except ProblemError as error:
                if error.status != requests.codes.precondition_failed or attempt + 1 == _ATTEMPTS:
                    raise
        raise AssertionError("an attempt ends the loop")

    def _pages(self, path: str, options: dict[str, str]) -> Iterator[Any]:
        page = self.get(path, **options)
        yield page
        while page["next"]:
            page = self.get(page["next"])
            yield page

    def _response(self, method: str, path: str, **more: Any) -> requests.Response:
        try:
            response = self._session.request(
                method, self.url + path, **{"timeout": self._timeout_s, **more}
            )
        except requests.RequestException as error:
            raise UnreachableError(f"no answer from {self.url}: {_short(error)}") from error
        if not response.ok:
            raise problem_of(response)
        return response

    def _answer(self, method: str, path: str, **more: Any) -> Any:
        response = self._response(method, path, **more)
        return self._json(response, path) if response.content else None

    def _json(self, response: requests.Response, path: str) -> Any:
        try:
            return response.json()
        except requests.JSONDecodeError as error:
            raise ClientError(f"{self.url}{path} does not answer JSON: is it Littoral?") from error


def _short(error: requests.RequestException) -> str:
    kind = type(error).__name__.removesuffix("Error")
    return "it took too long" if isinstance(error, requests.Timeout) else f"no {kind.lower()}"
