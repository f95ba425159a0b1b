"""Two VictoriaMetrics nodes on exactly the files that docker/victoriametrics ships.

Written through vmagent, read through nginx; only addresses and folders are others.
"""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Sequence
from pathlib import Path

import requests

from tests.servers import HOST, Server, Victoriametrics, program

SHIPPED = Path(__file__).parents[2] / "docker" / "victoriametrics"


class Relay(Server):
    """vmagent as its shipped unit starts it."""

    name = "vmagent"

    def __init__(self, folder: Path, nodes: Sequence[Server]) -> None:
        super().__init__(folder)
        self._nodes = nodes

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        unit = (SHIPPED / "vmagent.service").read_text().replace("\\\n", "")
        found = re.search(r"^ExecStart=/usr/bin/vmagent (.*)", unit, re.MULTILINE)
        assert found is not None
        text = found[1].replace("127.0.0.1:8429", f"{HOST}:{self.port}")
        text = with_addresses(text.replace("/var/lib/vmagent", f"{self.folder}/data"), self._nodes)
        return [program("vmagent"), *shlex.split(text)]

    def ready(self) -> bool:
        """See ``Server``."""
        return requests.get(f"http://{HOST}:{self.port}/health", timeout=2).ok


class Reader(Server):
    """nginx with the shipped file for reading."""

    name = "nginx"

    def __init__(self, folder: Path, nodes: Sequence[Server]) -> None:
        super().__init__(folder)
        text = (SHIPPED / "read.conf").read_text()
        text = with_addresses(text.replace("127.0.0.1:8427", f"{HOST}:{self.port}"), nodes)
        places = "".join(
            f"{kind}_temp_path {folder}/{kind};\n"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        (folder / "nginx.conf").write_text(
            f"daemon off; master_process off; user root; pid {folder}/pid;\n"
            f"error_log {folder}/errors warn;\n"
            f"events {{ worker_connections 768; }}\nhttp {{\n{places}{text}}}\n"
        )

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        config, log = str(self.folder / "nginx.conf"), str(self.folder / "errors")
        return [program("nginx"), "-p", str(self.folder), "-e", log, "-c", config]


class TwoNodes:
    """The whole layout; ``start`` it, and ``stop`` it at the end.

    Attributes:
        nodes: both servers that keep the readings.
        relay: vmagent.
        reader: nginx.
        url: the store's, as shipped.
    """

    def __init__(self, folder: Path) -> None:
        settings = shlex.split(
            shlex.split((SHIPPED / "node.default").read_text(), comments=True)[0].partition("=")[2]
        )
        own = [one for one in settings if not one.startswith(("-httpListen", "-storageData"))]
        assert len(own) == len(settings) - 2
        self.nodes = [Victoriametrics(folder / f"node{n}", *own) for n in (1, 2)]
        self.relay = Relay(folder / "vmagent", self.nodes)
        self.reader: Server = Reader(folder / "nginx", self.nodes)
        shipped = tomllib.loads((SHIPPED / "littoral.toml").read_text())["store"]["url"]
        shipped = shipped.replace("127.0.0.1:8429", f"{HOST}:{self.relay.port}")
        shipped = shipped.replace("127.0.0.1:8427", f"{HOST}:{self.reader.port}")
        self.url = with_addresses(shipped, self.nodes)

    @property
    def servers(self) -> list[Server]:
        """All four."""
        return [*self.nodes, self.relay, self.reader]

    def start(self) -> None:
        """Start all."""
        for server in self.servers:
            server.start()

    def stop(self) -> None:
        """Stop all that run."""
        for server in reversed(self.servers):
            server.stop()

    def show(self) -> None:
        """Make what the nodes that run have accepted visible now."""
        for node in self.nodes:
            if node.is_running:
                requests.get(f"{node.url}/internal/force_flush", timeout=60)


def with_addresses(text: str, nodes: Sequence[Server]) -> str:
    """A shipped text with the addresses of real nodes."""
    for number, node in enumerate(nodes, 1):
        text = text.replace(f"node{number}:8428", f"{HOST}:{node.port}")
    assert ":842" not in text, text
    return text
