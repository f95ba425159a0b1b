"""A time-series server over HTTP: its URL, its answers, and what its errors mean."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import parse_qsl, unquote, urlsplit

import requests
import requests.adapters

from service.errors import ConfigError, StoreRefusedError, StoreUnavailableError
from service.urls import redacted

#: Seconds to connect, and between two pieces of an answer.
TIMEOUT_S: Final = (3.05, 60.0)
_CONNECTIONS: Final = 16
#: Host, port and path, without credentials and parameters.
_PLACE: Final = re.compile(r"(\[[0-9a-fA-F:.]+\]|[\w.-]+)(:\d+)?(/[^\s?#@\\]*)?")


class CredentialsRefusedError(StoreUnavailableError):
    """The server does not accept the credentials; readings wait until that is put right."""


@dataclass(frozen=True, slots=True)
class Address:
    """A store's URL, taken apart.

    Attributes:
        base: ``http://host:port`` or ``https://host:port``, with the path where it is a prefix.
        path: the URL's path without slashes around it.
        user, password: from before the host; None when absent.
        options: the query parameters.
    """

    base: str
    path: str
    user: str | None = field(repr=False)
    password: str | None = field(repr=False)
    options: Mapping[str, str] = field(default_factory=dict, repr=False)


def parse_url(url: str, scheme: str, port: int, allowed: frozenset[str], form: str) -> Address:
    """Take a store's URL apart; the scheme with an ``s`` appended means TLS.

    Args:
        url: as configured.
        scheme: e.g. ``influx``.
        port: when the URL names none.
        allowed: names of query parameters.
        form: how such a URL looks, for the error.

    Raises:
        ConfigError: says what is wrong and what is allowed; never shows a password or token.
    """
    fault = ConfigError(f"store.url is {redacted(url)!r}; allowed: {form}")
    try:
        parts = urlsplit(url)
        number = parts.port or port
    except ValueError as error:
        raise fault from error
    if parts.scheme not in (scheme, scheme + "s") or not parts.hostname or parts.fragment:
        raise fault
    options = dict(parse_qsl(parts.query, keep_blank_values=True))
    if not set(options) <= allowed:
        raise fault
    host = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return Address(
        base=f"{'http' if parts.scheme == scheme else 'https'}://{host}:{number}",
        path=unquote(parts.path.strip("/")),
        user=None if parts.username is None else unquote(parts.username),
        password=None if parts.password is None else unquote(parts.password),
        options=options,
    )


def place(scheme: str, text: str, url: str, form: str) -> str:
    """The address of another server that a store's URL names, such as ``HOST:8428/PREFIX``.

    Args:
        scheme: ``http`` or ``https``.
        text: as it stands in the URL.
        url, form: as ``parse_url``, for the error.

    Raises:
        ConfigError: it has no host, no port that is a number, or more than host, port and path;
            the credentials before the URL's own host are those of all.
    """
    try:
        parts = urlsplit(f"{scheme}://{text}")
        sound = parts.hostname is not None and parts.port != 0
    except ValueError:
        sound = False
    if not sound or not _PLACE.fullmatch(text):
        raise ConfigError(f"store.url is {redacted(url)!r}; allowed: {form}")
    return f"{scheme}://{text}".rstrip("/")


class Remote:
    """Requests to one server; safe to use from several threads."""

    def __init__(
        self, base: str, *, headers: Mapping[str, str] | None = None, auth: tuple[str, str] | None
    ) -> None:
        """Prepare; connects when first asked.

        Args:
            base: address before each request's path.
            headers: sent with each request.
            auth: user and password for basic authentication.
        """
        self.base = base
        self._session = requests.Session()
        self._session.trust_env = False
        self._session.auth = auth
        self._session.headers.update(headers or {})
        adapter = requests.adapters.HTTPAdapter(
            pool_connections=_CONNECTIONS, pool_maxsize=_CONNECTIONS
        )
        self._session.mount("http://", adapter)
        self._session.mount("https://", adapter)

    @contextmanager
    def request(
        self,
        method: str,
        path: str,
        *,
        params: Mapping[str, str] | None = None,
        form: list[tuple[str, str]] | None = None,
        body: bytes | None = None,
        stream: bool = False,
        timeout_s: tuple[float, float] = TIMEOUT_S,
    ) -> Iterator[requests.Response]:
        """Ask, and give the answer, whatever its status below 500.

        Args:
            form: sent as a form in the body.
            body: sent compressed.
            stream: read the answer piece by piece with ``lines``.
            timeout_s: to connect, and between two pieces of the answer.

        Raises:
            CredentialsRefusedError: 401 or 403.
            StoreUnavailableError: no answer, or the server has trouble.
        """
        headers = {} if body is None else {"Content-Encoding": "gzip"}
        data = form if body is None else gzip.compress(body, 1)
        with (
            self._reached(),
            self._session.request(
                method,
                self.base + path,
                params=params,
                data=data,
                headers=headers,
                timeout=timeout_s,
                stream=stream,
                allow_redirects=False,
            ) as answer,
        ):
            refuse_trouble(self.base, answer.status_code, answer.text if not answer.ok else "")
            yield answer

    @contextmanager
    def _reached(self) -> Iterator[None]:
        try:
            yield
        except requests.RequestException as error:
            raise unreachable(self.base, error) from error

    def close(self) -> None:
        """Close the connections."""
        self._session.close()


def unreachable(base: str, error: Exception) -> StoreUnavailableError:
    """The error for a server that gives no answer."""
    return StoreUnavailableError(f"{redacted(base)}: no answer ({type(error).__name__})")


def refuse_trouble(base: str, status: int, text: str) -> None:
    """Raise for a status that says nothing about what was asked.

    Raises:
        CredentialsRefusedError: 401 or 403.
        StoreUnavailableError: 408, 429, 5xx.
    """
    said, shown = " ".join(text.split())[:200], redacted(base)
    if status in (401, 403):
        raise CredentialsRefusedError(
            f"{shown}: does not accept the credentials ({status}: {said})"
        )
    if status in (408, 429) or status >= 500:
        raise StoreUnavailableError(f"{shown}: answers {status} {said}".rstrip())


def refused(base: str, status: int, text: str) -> StoreRefusedError:
    """The error for a server that refuses what was asked for good."""
    said = " ".join(text.split())[:300]
    return StoreRefusedError(f"{redacted(base)}: answers {status} {said}".rstrip())
