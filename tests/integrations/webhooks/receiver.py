"""A real HTTP receiver of webhooks on the loopback, optionally with TLS."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass(frozen=True)
class Received:
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Receiver:
    """Records what it is sent and answers with the next status, the last one for ever."""

    statuses: list[int] = field(default_factory=lambda: [204])
    tls: ssl.SSLContext | None = None
    headers: dict[str, str] = field(default_factory=dict)
    received: list[Received] = field(default_factory=list)
    on_request: Callable[[], None] | None = None

    def __enter__(self) -> Receiver:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                receiver.received.append(Received(self.path, dict(self.headers.items()), body))
                if receiver.on_request is not None:
                    receiver.on_request()
                statuses = receiver.statuses
                self.send_response(statuses.pop(0) if len(statuses) > 1 else statuses[0])
                for name, value in receiver.headers.items():
                    self.send_header(name, value)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Print nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if self.tls is not None:
            self._server.socket = self.tls.wrap_socket(self._server.socket, server_side=True)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    @property
    def port(self) -> int:
        return int(self._server.server_address[1])

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook"
