"""A stand-in for InfluxDB 2.x, which no package registry has: its calls on a real 1.x server.

It does what InfluxDB's API documentation says of ``/api/v2/write``, ``/api/v2/buckets``,
``/api/v2/orgs`` and the 1.x-compatible ``/query``, and refuses everything else.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import requests

from tests.servers import HOST

TOKEN, ORG = "a-token-of-the-tests", "keepers"


@contextmanager
def v2_front(behind: str, seen: list[str]) -> Iterator[int]:
    """Serve on a free port until the end of the block; yields the port.

    Args:
        behind: address of the 1.x server.
        seen: filled with method, path and query of each request.
    """

    class Front(BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            """Stay silent."""

        def do_GET(self) -> None:
            self._answer("GET")

        def do_POST(self) -> None:
            self._answer("POST")

        def _answer(self, method: str) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            parts = urlsplit(self.path)
            query = {name: values[0] for name, values in parse_qs(parts.query).items()}
            seen.append(f"{method} {self.path}")
            if parts.path == "/ping":
                return self._send(204, b"")
            if self.headers.get("Authorization") != f"Token {TOKEN}":
                return self._told(401, "unauthorized access")
            if (method, parts.path) == ("POST", "/api/v2/write"):
                return self._write(query, body)
            if (method, parts.path) == ("GET", "/api/v2/orgs"):
                return self._send(200, json.dumps({"orgs": [{"id": "07", "name": ORG}]}).encode())
            if (method, parts.path) == ("POST", "/api/v2/buckets"):
                name = json.loads(body)["name"]
                requests.post(
                    f"{behind}/query", data={"q": f'CREATE DATABASE "{name}"'}, timeout=60
                )
                made = {"id": "1", "name": name, "retentionRules": []}
                return self._send(201, json.dumps(made).encode())
            if parts.path == "/query":
                headers = {"Content-Type": self.headers["Content-Type"]}
                found = requests.post(
                    f"{behind}/query", params=query, data=body, headers=headers, timeout=9
                )
                return self._send(found.status_code, found.content)
            return self._told(404, "path not found")

        def _write(self, query: dict[str, str], body: bytes) -> None:
            if query.get("org") != ORG or query.get("precision") != "ns":
                return self._told(400, f"org or precision missing: {query}")
            headers = {"Content-Encoding": self.headers.get("Content-Encoding", "identity")}
            taken = requests.post(
                f"{behind}/write",
                params={"db": query["bucket"], "precision": "ns"},
                data=body,
                headers=headers,
                timeout=60,
            )
            if taken.status_code == 204:
                return self._send(204, b"")
            text = taken.json()["error"]
            if "database not found" in text:
                return self._told(404, f'bucket "{query["bucket"]}" not found')
            return self._told(422 if "retention" in text else 400, text)

        def _told(self, status: int, message: str) -> None:
            self._send(status, json.dumps({"code": str(status), "message": message}).encode())

        def _send(self, status: int, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

    server = ThreadingHTTPServer((HOST, 0), Front)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
