"""InfluxDB that drops what stood behind a torn entry of its log gets it again from the ingester.

Without the setting of docs/stores.md. The 1.6.7 of Debian cuts its log after the last whole entry
at a start, goes on writing behind the torn one, and at the start after that finds nothing of it.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.config import StoreConfig
from service.store import open_store
from tests.ingest.load import exactly_once
from tests.servers import HOST, Influxdb

#: An entry's type and length, and less than that.
TORN = b"\x01\x00\x00\x40\x00torn"


@pytest.mark.slow
def test_what_came_behind_a_torn_entry_is_sent_again(
    tmp_path, mosquitto, started, make_bench, publisher
):
    server = started(Influxdb(tmp_path / "influxdb"))
    bench = make_bench(mosquitto)
    bench.store.close()
    bench.config = replace(bench.config, store=StoreConfig(f"influx://{HOST}:{server.port}/torn"))
    bench.store = open_store(bench.config.store.url)
    bench.start()
    sender = publisher(mosquitto)

    def crash(*, torn):
        bench.wait(lambda status: status["acknowledged"] == sender.count)
        bench.wait(lambda status: status["spool"]["readings"] == 0)
        server.kill()
        if torn:
            log = max(tmp_path.rglob("*.wal"), key=lambda one: one.stat().st_mtime)
            with log.open("ab") as file:
                file.write(TORN)
        server.start()

    sender.send(100)
    crash(torn=True)
    sender.send(100)
    crash(torn=False)
    exactly_once(bench, sender.count)
