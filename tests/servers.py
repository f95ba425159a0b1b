"""Real servers for the tests: each on a free port of 127.0.0.1 and in a temporary folder.

A server that is running on the machine already is never touched. A missing program is a failure
that says how to install it, not a skip.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import requests
from sqlalchemy import create_engine, text

HOST = "127.0.0.1"


# Ports below those that the system hands out, in blocks: a process of tests has a block for itself.
_FIRST_PORT, _END_PORT, _BLOCK = 20_000, 32_000, 400
# The first port of its block, held open while the process runs: two runs on a machine never meet.
_claim = socket.socket()


@functools.cache
def _ports() -> Iterator[int]:
    """The ports of a block that no other process of tests has."""
    for first in range(_FIRST_PORT, _END_PORT, _BLOCK):
        with contextlib.suppress(OSError):
            _claim.bind((HOST, first))
            _claim.listen()
            return itertools.cycle(range(first + 1, first + _BLOCK))
    raise AssertionError("no block of free ports is left: end the other runs of the tests")


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on now; the next calls give others."""
    while True:
        port = next(_ports())
        with socket.socket() as probe, contextlib.suppress(OSError):  # taken by another program
            probe.bind((HOST, port))
            return port


def program(name: str, *places: str) -> str:
    """The full path of an installed program."""
    path = shutil.which(name, path=os.pathsep.join((*places, os.environ["PATH"], "/usr/sbin")))
    if path is None:
        raise AssertionError(f"{name} is not installed; `sh tests/run.sh` installs it")
    return path


class Server:
    """One server process, its port and its folder; subclasses say what to run."""

    name = "server"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None

    def command(self) -> Sequence[str]:
        """The command line that runs the server in the foreground."""
        raise NotImplementedError

    def ready(self) -> bool:
        """Whether it answers."""
        with socket.create_connection((HOST, self.port), timeout=1):
            return True

    @property
    def user(self) -> str | None:
        """The user to run as, when not our own."""
        return None

    @property
    def pid(self) -> int:
        """The process id of the running server."""
        assert self._process is not None, f"{self.name} is not running"
        return self._process.pid

    @property
    def is_running(self) -> bool:
        """Whether it was started and not stopped since."""
        return self._process is not None

    @property
    def log(self) -> str:
        """What the server has printed so far."""
        return (self.folder / "log").read_text(errors="replace")

    def start(self, timeout_s: float = 60.0) -> None:
        """Start it and wait until it answers."""
        assert self._process is None, f"{self.name} is running already"
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                self.command(), stdout=log, stderr=log, stdin=subprocess.DEVNULL, user=self.user
            )
        wait_until(self._answers, timeout_s, lambda: f"{self.name} did not start:\n{self.log}")

    def _answers(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            raise AssertionError(f"{self.name} ended by itself:\n{self.log}")
        try:
            return self.ready()
        except OSError:
            return False

    def stop(self, sig: signal.Signals = signal.SIGTERM) -> None:
        """Stop it and wait until it has ended; no effect when it is not running."""
        if self._process is None:
            return
        self._process.send_signal(sig)
        try:
            self._process.wait(60)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(60)
        self._process = None

    def kill(self) -> None:
        """End it as a crash would (SIGKILL)."""
        self.stop(signal.SIGKILL)

    def restart(self) -> None:
        """Stop it and start it again on the same port with the same data."""
        self.stop()
        self.start()


# To ask takes processor time that the one who is waited for needs: so less and less often.
_SHORTEST_PAUSE_S, _PAUSE_GROWS, _LONGEST_PAUSE_S = 0.005, 1.3, 0.1


def wait_until(
    true: Callable[[], bool], timeout_s: float = 60.0, why: Callable[[], str] = str
) -> None:
    """Wait until a condition holds; an AssertionError with ``why()`` when it does not in time."""
    end = time.monotonic() + timeout_s
    pause_s = _SHORTEST_PAUSE_S
    while not true():
        assert time.monotonic() < end, why() or f"not within {timeout_s} s"
        time.sleep(pause_s)
        pause_s = min(_PAUSE_GROWS * pause_s, _LONGEST_PAUSE_S)


class Mosquitto(Server):
    """Eclipse mosquitto; keeps nothing over a restart unless ``extra_conf`` says so."""

    name = "mosquitto"

    def __init__(self, folder: Path, extra_conf: str = "") -> None:
        super().__init__(folder)
        persistence = "" if "persistence" in extra_conf else "persistence false\n"
        # Without these limits lifted, a burst at QoS 1 loses messages silently.
        (folder / "mosquitto.conf").write_text(
            f"listener {self.port} {HOST}\nallow_anonymous true\nuser root\n{persistence}"
            f"max_queued_messages 0\nmax_inflight_messages 1000\n{extra_conf}\n"
        )

    @property
    def url(self) -> str:
        """As in the configuration: ``mqtt://127.0.0.1:PORT``."""
        return f"mqtt://{HOST}:{self.port}"

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [program("mosquitto"), "-c", str(self.folder / "mosquitto.conf")]


class Influxdb(Server):
    """InfluxDB 1.x as Debian packages it, without authentication unless asked for."""

    name = "influxdb"

    def __init__(self, folder: Path, *, auth: bool = False, data_conf: str = "") -> None:
        super().__init__(folder)
        (folder / "influxdb.conf").write_text(
            f'reporting-disabled = true\nbind-address = "{HOST}:{free_port()}"\n'
            f'[meta]\ndir = "{folder}/meta"\n'
            f'[data]\ndir = "{folder}/data"\nwal-dir = "{folder}/wal"\nindex-version = "tsi1"\n'
            f"{data_conf}\n"
            f'[http]\nbind-address = "{HOST}:{self.port}"\nauth-enabled = {str(auth).lower()}\n'
            "log-enabled = false\n[monitor]\nstore-enabled = false\n"
        )

    @property
    def url(self) -> str:
        """Its HTTP address."""
        return f"http://{HOST}:{self.port}"

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [program("influxd"), "run", "-config", str(self.folder / "influxdb.conf")]

    def ready(self) -> bool:
        """See ``Server``."""
        return requests.get(f"{self.url}/ping", timeout=2).status_code == 204


class Victoriametrics(Server):
    """Single-node VictoriaMetrics with the flags that docs/stores.md asks for."""

    name = "victoria-metrics"

    def __init__(self, folder: Path, *settings: str) -> None:
        super().__init__(folder)
        given = {setting.partition("=")[0] for setting in settings}
        usual = (
            "-retentionPeriod=100y",
            "-search.latencyOffset=1ms",
            "-dedup.minScrapeInterval=1ms",
        )
        self.settings = [*settings, *(s for s in usual if s.partition("=")[0] not in given)]

    @property
    def url(self) -> str:
        """Its HTTP address."""
        return f"http://{HOST}:{self.port}"

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [
            program("victoria-metrics"),
            f"-httpListenAddr={HOST}:{self.port}",
            f"-storageDataPath={self.folder}/data",
            *self.settings,
        ]

    def ready(self) -> bool:
        """See ``Server``."""
        return requests.get(f"{self.url}/health", timeout=2).status_code == 200


class Prometheus(Server):
    """Prometheus with the configuration ``prometheus.yml`` of its folder."""

    name = "prometheus"

    @property
    def url(self) -> str:
        """Its HTTP address."""
        return f"http://{HOST}:{self.port}"

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [
            program("prometheus"),
            f"--config.file={self.folder}/prometheus.yml",
            f"--storage.tsdb.path={self.folder}/data",
            f"--web.listen-address={HOST}:{self.port}",
        ]

    def ready(self) -> bool:
        """See ``Server``."""
        return requests.get(f"{self.url}/-/ready", timeout=2).status_code == 200


class Postgresql(Server):
    """PostgreSQL; run as the user ``postgres`` when the tests run as root, as it refuses root.

    That user cannot enter pytest's folders: give it one of its own (``tempfile``).
    """

    name = "postgresql"

    @property
    def user(self) -> str | None:
        """See ``Server``."""
        return "postgres" if os.geteuid() == 0 else None

    @property
    def url(self) -> str:
        """SQLAlchemy URL of the empty database ``littoral``."""
        return self.database_url("littoral")

    def database_url(self, database: str) -> str:
        """SQLAlchemy URL of a database of this server."""
        return f"postgresql+psycopg://littoral@{HOST}:{self.port}/{database}"

    def emptied(self) -> str:
        """URL of the database ``littoral`` after all that tests left in it was dropped."""
        engine = create_engine(self.url)
        with engine.begin() as connection:
            connection.execute(text("DROP SCHEMA public CASCADE"))
            connection.execute(text("CREATE SCHEMA public"))
        engine.dispose()
        return self.url

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        places = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
        postgres = program("postgres", *map(str, places))
        data = self.folder / "data"
        if not data.exists():
            self._create(Path(postgres).with_name("initdb"), data)
        settings = {
            "port": self.port,
            "listen_addresses": HOST,
            "unix_socket_directories": "",
            "fsync": "off",  # it need not survive a power cut
        }
        options = [word for key, value in settings.items() for word in ("-c", f"{key}={value}")]
        return [postgres, "-D", str(data), *options]

    def _create(self, initdb: Path, data: Path) -> None:
        if self.user is not None:
            owner = pwd.getpwnam(self.user)
            os.chown(self.folder, owner.pw_uid, owner.pw_gid)
        subprocess.run(
            [
                initdb,
                "-D",
                data,
                "-U",
                "littoral",
                "-A",
                "trust",
                "-E",
                "UTF8",
                "--locale=C.UTF-8",
                "-N",
            ],
            check=True,
            capture_output=True,
            user=self.user,
        )

    def ready(self) -> bool:
        """See ``Server``; also makes the empty database on the first start."""
        import psycopg

        try:
            with psycopg.connect(
                host=HOST, port=self.port, user="littoral", dbname="postgres", autocommit=True
            ) as connection:
                found = connection.execute("SELECT 1 FROM pg_database WHERE datname = 'littoral'")
                if found.fetchone() is None:
                    connection.execute("CREATE DATABASE littoral")
            return True
        except psycopg.OperationalError:
            return False

    def stop(self, sig: signal.Signals = signal.SIGINT) -> None:
        """Stop it, without waiting for clients to leave ("fast" shutdown)."""
        super().stop(sig)
