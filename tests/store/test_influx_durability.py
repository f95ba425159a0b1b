"""What InfluxDB reports of its start and its log."""

from __future__ import annotations

import time

from service.store import Reading, open_store
from service.store.influx.durability import of_metrics, of_variables
from tests.servers import HOST, Influxdb, wait_until


def cache(mem, disk, age_ms, database="tanks"):
    values = {"memBytes": mem, "diskBytes": disk, "cacheAgeMs": age_ms}
    return {"name": "tsm1_cache", "tags": {"database": database}, "values": values}


def test_the_oldest_cache_that_has_readings_counts():
    document = {
        "system": {"started": "2026-11-26T09:10:04.646938517Z"},
        "a": cache(0, 0, 900_000),
        "b": cache(10, 0, 4_000),
        "c": cache(10, 0, 9_000, "another"),
    }
    assert of_variables(document, "tanks") == {"started_s": 1795684204.646938, "unsaved_s": 4.0}
    document["d"] = cache(0, 10, 0)
    assert "unsaved_s" not in of_variables(document, "tanks")


def test_the_start_in_the_text_of_metrics():
    lines = ["# TYPE process_start_time_seconds gauge", "process_start_time_seconds 1.5e+09"]
    assert of_metrics(lines) == {"started_s": 1.5e9}
    assert of_metrics(["<html>"]) == {}


def test_a_real_server_says_when_its_readings_are_in_its_files(tmp_path, started):
    server = started(Influxdb(tmp_path / "influxdb", data_conf='cache-snapshot-memory-size = "1"'))
    store = open_store(f"influx://{HOST}:{server.port}/tanks")
    store.write([Reading("reed", "ph", "main", time.time_ns() // 1000, 6.5)])
    started_s = store.health().numbers["started_s"]
    assert abs(started_s - time.time()) < 300
    wait_until(lambda: store.health().numbers.get("unsaved_s") == 0.0)
    server.kill()
    server.start()
    assert store.health().numbers["started_s"] > started_s
    store.close()
