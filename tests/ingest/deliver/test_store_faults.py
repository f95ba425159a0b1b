"""What happens to the readings when a real store is away, forgets, or the disk is full."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import time
from contextlib import closing
from dataclasses import replace

import pytest

from service.config import StoreConfig
from service.store import open_store
from service.store.sqlite import connections
from tests.ingest.load import PATIENCE_S, exactly_once, values_of
from tests.servers import HOST, Influxdb, Victoriametrics, wait_until

#: How long the store is away, s; longer by hand: LITTORAL_TEST_AWAY_S=30.
AWAY_S = float(os.environ.get("LITTORAL_TEST_AWAY_S", "1"))


def with_store(bench, url):
    """Have the bench and its ingesters write to another store."""
    bench.store.close()
    bench.config = replace(bench.config, store=StoreConfig(url))
    bench.store = open_store(url)


@pytest.mark.slow
def test_crash_of_a_store_that_forgets_its_last_seconds(
    tmp_path, start_mosquitto, started, make_bench, publisher
):
    """VictoriaMetrics acknowledges what it has not written yet; ``kill -9`` takes it."""
    broker = start_mosquitto(tmp_path)
    server = started(Victoriametrics(tmp_path / "victoriametrics"))
    bench = make_bench(broker)
    bench.store.close()
    bench.store = open_store(f"victoriametrics://{HOST}:{server.port}")
    bench.start()
    sender = publisher(broker)
    for _ in range(3):
        sender.send(300)
        bench.wait(
            lambda status: (
                status["acknowledged"] == sender.count and status["spool"]["readings"] == 0
            )
        )
        server.kill()
        sender.send(300)
        bench.wait(lambda status: status["acknowledged"] == sender.count)
        server.start()
        bench.wait(lambda status: status["spool"]["readings"] == 0)
    exactly_once(bench, sender.count)


def test_a_real_store_that_is_away_for_a_while(tmp_path, mosquitto, started, make_bench, publisher):
    server = started(Influxdb(tmp_path / "influxdb"))
    bench = make_bench(mosquitto)
    with_store(bench, f"influx://{HOST}:{server.port}/away")
    bench.start()
    sender = publisher(mosquitto)
    sender.send(300)
    bench.wait(lambda status: status["acknowledged"] == 300)
    server.stop()
    end_s = time.monotonic() + AWAY_S
    while time.monotonic() < end_s or sender.count < 900:
        sender.send(100)
        time.sleep(0.1)  # about the load of a thousand sensors
    bench.wait(lambda status: status["acknowledged"] == sender.count)
    status = bench.status()
    # Of those before, as many batches wait to be sent again as it had in no file when it last said.
    assert sender.count - 300 <= status["spool"]["readings"] <= sender.count
    assert "no answer" in status["errors"][0]
    server.start()
    exactly_once(bench, sender.count)
    bench.wait(lambda status: status["spool"]["readings"] == 0 and not status["errors"])
    assert values_of(bench) == [float(n) for n in range(sender.count)]


@pytest.mark.parametrize("fault", ["deleted", "overwritten"])
def test_nothing_is_acknowledged_into_a_file_that_is_lost(
    tmp_path, mosquitto, make_bench, publisher, monkeypatch, fault
):
    monkeypatch.setattr(connections, "_PROBE_EVERY_S", 0.0)
    bench = make_bench(mosquitto)
    path, backup = tmp_path / "bench0" / "readings.db", tmp_path / "backup.db"
    bench.start()
    sender = publisher(mosquitto)
    sender.send(300)
    exactly_once(bench, 300)
    bench.store.back_up(backup)
    if fault == "deleted":
        path.unlink()
    else:
        with closing(sqlite3.connect(path)) as other:
            other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with path.open("r+b") as file:
            file.write(b"\xa5" * path.stat().st_size)
    sender.send(200)
    bench.wait(lambda status: status["acknowledged"] == 500)
    bench.wait(lambda status: status["spool"]["readings"] == 200)
    assert str(path) in " ".join(bench.status()["errors"])
    path.unlink(missing_ok=True)
    shutil.copy(backup, path)
    wait_until(lambda: bench.store.health().reachable, PATIENCE_S)
    exactly_once(bench, 500)


def test_disk_full_on_the_spool(
    tmp_path, start_mosquitto, started, make_bench, make_process, publisher
):
    """The kernel refuses the ingester's writes (RLIMIT_FSIZE) in the middle of its transactions.

    So it does on a full disk; and this needs no privileges.
    """
    broker = start_mosquitto(tmp_path)
    server = started(Influxdb(tmp_path / "influxdb"))
    bench = make_bench(broker, max_inflight=500, batch_size=100)
    with_store(bench, f"influx://{HOST}:{server.port}/full")
    server.stop()
    process = make_process(bench)
    process.start()
    # The registry with its log has its room in that, and the spool has not.
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (400_000, resource.RLIM_INFINITY))
    sender = publisher(broker)
    sender.send(20_000)

    def status():
        return bench.registry.statuses()[f"ingest:{bench.config.mqtt.client_id}"]

    wait_until(lambda: status()["stalled"], PATIENCE_S)
    acknowledged = status()["acknowledged"]
    assert acknowledged < 19_500
    assert "spool.db: " in " ".join(status()["errors"])
    server.start()
    wait_until(lambda: len(values_of(bench)) >= acknowledged, PATIENCE_S)
    unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, unlimited)
    exactly_once(bench, 20_000)
