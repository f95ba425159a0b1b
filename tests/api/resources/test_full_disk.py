"""A full disk, a real one: it is said at ``/readyz`` and ``/metrics``, and nothing is lost."""

from __future__ import annotations

import contextlib
import subprocess
import threading

import pytest

from ingest.app import Ingester
from service.app.app_factory import create_app
from service.app.application import opened
from service.clock import SystemClock
from service.config import load_config
from service.registry.models.tank import Tank
from service.store import SeriesKey
from tests.ingest.conftest import publish_lines
from tests.servers import program, wait_until

KEY = SeriesKey("reed", "illuminance", "main")
PAYLOADS = [str(number) for number in range(3000)]


@pytest.fixture
def disk(tmp_path):
    """A disk of 24 MB with a folder for us."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount, umount = program("mount", "/bin"), program("umount", "/bin")
    subprocess.run([mount, "-t", "tmpfs", "-o", "size=24m", "tmpfs", folder], check=True)
    yield folder
    subprocess.run([umount, folder], check=True)


def fill(disk):
    """Fill it to the last byte."""
    with (disk / "ballast").open("wb", buffering=0) as out, contextlib.suppress(OSError):
        while True:
            out.write(bytes(1 << 16))
    with (disk / "crumbs").open("wb", buffering=0) as out, contextlib.suppress(OSError):
        while True:
            out.write(b"0")


@pytest.mark.parametrize("spool_on_it", [False, True])
def test_a_full_disk_is_said_and_what_was_acknowledged_is_not_lost(
    tmp_path, disk, mosquitto, spool_on_it
):
    config = load_config(
        None,
        {
            "LITTORAL_STORE__URL": f"sqlite:///{disk}/readings.db",
            "LITTORAL_REGISTRY__URL": f"sqlite:///{tmp_path}/registry.db",
            "LITTORAL_INGEST__SPOOL_PATH": f"{disk if spool_on_it else tmp_path}/spool.db",
            "LITTORAL_INGEST__BATCH_AGE_S": "0.2",
            "LITTORAL_MQTT__URL": mosquitto.url,
            "LITTORAL_MQTT__CLIENT_ID": f"full-{spool_on_it}",
        },
    )
    with opened(config) as application:
        application.registry.put_tank(Tank("reed", "Reed"))
        client = create_app(application).test_client()
        ingester = Ingester(config, application.store, application.registry, SystemClock())
        stop = threading.Event()
        running = threading.Thread(target=ingester.run, args=(stop,))
        running.start()
        wait_until(lambda: ingester.status()["subscribed"])
        assert client.get("/readyz").get_json()["reasons"] == []
        fill(disk)
        publish_lines(mosquitto, "littoral/reed/illuminance", PAYLOADS)
        if spool_on_it:
            wait_until(lambda: ingester.status()["stalled"])
            wait_until(lambda: "messages wait" in str(client.get("/readyz").get_json()["reasons"]))
        else:
            wait_until(lambda: ingester.status()["spool"]["readings"])
            wait_until(lambda: ingester.status()["acknowledged"] == len(PAYLOADS))
        answer = client.get("/readyz")
        assert answer.status_code == 503
        assert "the disk of the store is full: 0.0 MB are free" in str(answer.get_json()["reasons"])
        assert 'littoral_disk_free_bytes{part="store"} 0.0' in client.get("/metrics").text
        for name in ("ballast", "crumbs"):
            (disk / name).unlink()
        wait_until(
            lambda: len(application.store.read(KEY, 0, 1 << 62, flagged=True)) == len(PAYLOADS)
        )
        wait_until(lambda: client.get("/readyz").get_json()["reasons"] == [])
        stop.set()
        running.join()
        stored = application.store.read(KEY, 0, 1 << 62, flagged=True).value.tolist()
    assert sorted(stored) == [float(payload) for payload in PAYLOADS]
