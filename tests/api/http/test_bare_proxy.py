"""A real nginx as somebody sets one up in haste: ``proxy_pass`` alone, which rewrites Host."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
import requests

from service.api.server import Server as HttpServer
from service.app.app_factory import create_app
from service.app.application import Application
from service.config import HttpConfig
from service.registry.models.access import Scope
from tests.api.conftest import NOW
from tests.api.scenes import TANK
from tests.servers import HOST, Server, program

PATIENCE_S = 30


class BareProxy(Server):
    """Passes everything on to one port, with headers or without."""

    name = "nginx"

    def __init__(self, folder: Path, port: int, more: str) -> None:
        super().__init__(folder)
        kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        places = "".join(f"{kind}_temp_path {folder}/{kind}; " for kind in kinds)
        (folder / "nginx.conf").write_text(
            f"daemon off; user root; pid {folder}/pid; error_log {folder}/errors warn;\n"
            "events { worker_connections 64; }\n"
            f"http {{ access_log off; {places}\n"
            f"server {{ listen {HOST}:{self.port};\n"
            f"location / {{ proxy_pass http://{HOST}:{port}; {more} }} }} }}\n"
        )

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        config, log = str(self.folder / "nginx.conf"), str(self.folder / "errors")
        return [program("nginx"), "-p", str(self.folder), "-e", log, "-c", config]


@pytest.fixture
def littoral(context: Application) -> Iterator[int]:
    """The port of a service without tokens, on the tests' own application object."""
    http, stop = HttpConfig(port=0), threading.Event()
    parts = replace(context, config=replace(context.config, http=http))
    server = HttpServer(create_app(parts), http)
    thread = threading.Thread(target=server.run, args=(stop,))
    thread.start()
    yield server.port
    stop.set()
    thread.join()


@pytest.mark.needs("nginx")
@pytest.mark.parametrize(
    ("more", "trace"),
    [
        ("", "HTTP/1.0"),
        (
            "proxy_http_version 1.1; proxy_set_header X-Real-IP $remote_addr;",
            "header X-Real-Ip",
        ),
    ],
    ids=["nothing set", "as in many recipes"],
)
def test_without_a_token_nobody_comes_in_through_it(
    tmp_path: Path, littoral: int, context: Application, more: str, trace: str
) -> None:
    proxy = BareProxy(tmp_path, littoral, more)
    proxy.start()
    try:
        address = f"http://{HOST}:{proxy.port}"
        outside = {"Host": "tanks.example.org"}
        for answer in (
            requests.get(f"{address}/v1/tanks", headers=outside, timeout=PATIENCE_S),
            requests.put(
                f"{address}/v1/tanks/riffle", json=TANK, headers=outside, timeout=PATIENCE_S
            ),
        ):
            assert answer.status_code == 403
            assert f"a proxy passed the request on ({trace})" in answer.json()["detail"]
        assert context.registry.tanks() == []
        assert requests.get(f"{address}/healthz", timeout=PATIENCE_S).status_code == 200
        _, secret = context.registry.create_token("phone", Scope.READ, NOW)
        bearer = {"Authorization": f"Bearer {secret}"}
        let_in = requests.get(f"{address}/v1/tanks", headers=bearer, timeout=PATIENCE_S)
        assert let_in.status_code == 200
    finally:
        proxy.stop()
