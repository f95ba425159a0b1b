"""The HTTP server: waitress, until it is asked to stop."""

from __future__ import annotations

import logging
import threading
import time
from typing import Any, Final

from flask import Flask
from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer, MultiSocketServer, create_server

from service.api.connections import ConnectionLimits, Deadlines, TimedChannel
from service.api.http.blueprint import LIST_BYTES, PICTURES_BYTES
from service.api.server_errors import HEADER_BYTES
from service.config import HttpConfig
from service.errors import ConfigError

log = logging.getLogger(__name__)
_STOP_TICK_S: Final = 0.2
_FLUSH_TICK_S: Final = 0.02
_PATIENCE_S: Final = 5
_BESIDE: Final = 16
"""Sockets of waitress itself, and connections that are accepted before one is closed for them."""


class Server:
    """Serves an app on one address; the port is taken as soon as it is made."""

    def __init__(self, app: Flask, http: HttpConfig, deadlines: Deadlines | None = None) -> None:
        """Take the port.

        Args:
            deadlines: how long clients may take; by default what ``Deadlines`` says.

        Raises:
            ConfigError: the port is taken, or the host is not one of this machine.
        """
        self._host = http.host
        self._sockets: dict[int, Any] = {}
        self._limits = ConnectionLimits(http, deadlines)
        try:
            self._server = create_server(
                app,
                map=self._sockets,
                host=http.host,
                port=http.port,
                threads=http.threads + http.listeners,
                connection_limit=self._limits.most + _BESIDE,
                ident=None,
                max_request_body_size=PICTURES_BYTES + LIST_BYTES,
                max_request_header_size=HEADER_BYTES,
                channel_request_lookahead=1,  # notices a listener that has gone
                **_proxy(http),
            )
        except OSError as error:
            raise ConfigError(
                f"http.port is {http.port} on {http.host}: {error.strerror or error}; "
                "allowed: a free port, by http.port, LITTORAL_HTTP__PORT or --port"
            ) from error
        for one in self._sockets.values():
            if isinstance(one, BaseWSGIServer):
                one.channel_class = TimedChannel

    @property
    def port(self) -> int:
        """The port that is listened on."""
        if isinstance(self._server, MultiSocketServer):
            return int(self._server.effective_listen[0][1])
        return int(getattr(self._server, "effective_port"))  # noqa: B009 - not in its stubs

    @property
    def url(self) -> str:
        """Where it answers, for people."""
        shown = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{shown}:{self.port}"

    def run(self, stop: threading.Event) -> None:
        """Answer requests until ``stop`` is set; those begun are finished first."""
        worker = threading.Thread(target=self._serve, name="http", daemon=True)
        worker.start()
        while not stop.wait(_STOP_TICK_S) and worker.is_alive():
            continue
        self._server.task_dispatcher.shutdown(timeout=_PATIENCE_S)
        self._flush()
        # Also the connections that a browser keeps for later: it would wait on them for an answer.
        wasyncore.close_all(self._sockets, ignore_all=True)
        worker.join(timeout=_PATIENCE_S)

    def _flush(self) -> None:
        """Give the answers that are written already the time to be sent."""
        end = time.monotonic() + _PATIENCE_S
        channels = [one for one in self._sockets.values() if isinstance(one, HTTPChannel)]
        while any(one.total_outbufs_len for one in channels) and time.monotonic() < end:
            time.sleep(_FLUSH_TICK_S)

    def _serve(self) -> None:
        try:
            self._limits.serve(self._sockets)
        except OSError as error:
            log.debug("the listening socket was closed: %s", error)


def _proxy(http: HttpConfig) -> dict[str, Any]:
    """Waitress' settings for a reverse proxy in front of it.

    Without one its headers are believed nowhere, and left in the request: authentication refuses
    them where no token protects the service.
    """
    if http.trusted_proxy is None:
        return {"clear_untrusted_proxy_headers": False}
    return {
        "clear_untrusted_proxy_headers": True,
        "trusted_proxy": http.trusted_proxy,
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"},
    }
