"""A real nginx on exactly the file that docker/nginx ships, in front of a Littoral that serves."""

from __future__ import annotations

import http.client
import re
import socket
import ssl
import threading
from collections.abc import Sequence
from pathlib import Path

import trustme

from service.api.connections import TimedChannel
from service.api.server import Server as HttpServer
from service.app.app_factory import create_app
from service.app.application import Application
from service.clock import SystemClock
from service.config import load_config
from service.registry.models.access import Scope
from service.registry.registry import open_registry
from service.store import open_store
from tests.servers import HOST, Server, free_port, program

SHIPPED = Path(__file__).parents[2] / "docker" / "nginx"
NAME = "tanks.example.org"
PATIENCE_S = 60.0


class Littoral:
    """The service with the shipped part of its configuration, a token, a store of its own."""

    def __init__(self, folder: Path) -> None:
        config = load_config(SHIPPED / "littoral.toml", {"LITTORAL_HTTP__PORT": "0"})
        self.store = open_store(f"sqlite:///{folder / 'readings.db'}")
        self.registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
        clock = SystemClock()
        _, self.secret = self.registry.create_token("laptop", Scope.ADMIN, clock.now())
        self._stopping = threading.Event()
        application = Application(config, clock, self.store, self.registry, self._stopping)
        self._server = HttpServer(create_app(application), config.http)
        self.port = self._server.port
        self._thread = threading.Thread(target=self._server.run, args=(self._stopping,))
        self._thread.start()

    @property
    def connections(self) -> int:
        """How many are open now."""
        sockets = list(self._server._sockets.values())
        return sum(isinstance(one, TimedChannel) for one in sockets)

    def stop(self) -> None:
        """End for good."""
        self._stopping.set()
        self._thread.join()
        self.store.close()
        self.registry.close()


class ShippedProxy(Server):
    """The shipped file with other paths and ports, inside what Debian's own nginx.conf says."""

    name = "nginx"

    def __init__(self, folder: Path, littoral: Littoral, *, links_only: bool = False) -> None:
        super().__init__(folder)
        authority = trustme.CA()
        certificate = authority.issue_cert(NAME)
        certificate.private_key_pem.write_to_path(folder / "tanks.key")
        certificate.cert_chain_pems[0].write_to_path(folder / "tanks.pem")
        self.ca_file = folder / "ca.pem"
        authority.cert_pem.write_to_path(self.ca_file)
        self.trust = ssl.create_default_context(cafile=str(self.ca_file))
        self.plain_port = free_port()
        text = (SHIPPED / "littoral.conf").read_text()
        text = re.sub(r" +listen \[::\].*\n", "", text)  # loopback alone, and not all have IPv6
        if links_only:  # as the file itself says
            text = text.replace("    location / {", "    #location / {", 1)
            text, number = re.subn(
                r"^    #(location /(shared/|pages/static/| ) )", r"    \1", text, flags=re.M
            )
            assert number == 3
        self.access_log = folder / "littoral.log"
        text = text.replace("/var/log/nginx/littoral.log", str(self.access_log))
        text = text.replace("listen 443", f"listen {HOST}:{self.port}")
        text = text.replace("listen 80", f"listen {HOST}:{self.plain_port}")
        text = text.replace("127.0.0.1:8600", f"127.0.0.1:{littoral.port}")
        text = text.replace("/etc/ssl/littoral/", f"{folder}/")
        (folder / "littoral.conf").write_text(text)
        places = "".join(
            f"{kind}_temp_path {folder}/{kind};\n"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        (folder / "nginx.conf").write_text(
            f"daemon off; user root; pid {folder}/pid; error_log {folder}/errors warn;\n"
            "events { worker_connections 768; }\n"
            f"http {{ access_log off; gzip on;\n{places}include {folder}/littoral.conf; }}\n"
        )

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        config, log = str(self.folder / "nginx.conf"), str(self.folder / "errors")
        return [program("nginx"), "-p", str(self.folder), "-e", log, "-c", config]

    def open(self, source: str = HOST, first: bytes = b"", name: str = NAME) -> ssl.SSLSocket:
        """A TLS connection from an address of this machine, on which so much is sent."""
        plain = socket.create_connection((HOST, self.port), PATIENCE_S, (source, 0))
        try:
            made = self.trust.wrap_socket(plain, server_hostname=name)
        except ssl.SSLError:
            plain.close()
            raise
        made.sendall(first)
        return made

    def ask(
        self, method: str, path: str, body: bytes | None = None, source: str = HOST, **headers: str
    ) -> http.client.HTTPResponse:
        """One request on a connection of its own; ``_`` in the names of headers is a hyphen."""
        connection = http.client.HTTPSConnection(NAME, timeout=PATIENCE_S, context=self.trust)
        connection.sock = self.open(source)
        given = {"Host": NAME} | {name.replace("_", "-"): text for name, text in headers.items()}
        connection.request(method, path, body, given)
        return connection.getresponse()


def bearer(littoral: Littoral) -> dict[str, str]:
    """The header of the token."""
    return {"Authorization": f"Bearer {littoral.secret}"}
