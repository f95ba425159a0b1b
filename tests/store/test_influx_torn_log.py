"""InfluxDB that is killed in the middle of a write keeps what it acknowledges afterwards.

With the setting of docs/stores.md; without it the 1.6.7 of Debian goes on writing behind the broken
entry of its log, where its next start finds nothing (measured; a loss of 40 minutes in
all measurements after "File corrupt": github.com/influxdata/influxdb/issues/9657, "wontfix").
"""

from __future__ import annotations

import re
from pathlib import Path

from service.store import Reading, SeriesKey, open_store
from tests.servers import Influxdb, wait_until

PAGE = Path(__file__).parents[2] / "docs" / "stores.md"


def test_the_documented_setting_keeps_what_comes_after_a_torn_write(tmp_path):
    (setting,) = re.findall(r"^cache-snapshot-memory-size = .*$", PAGE.read_text(), re.MULTILINE)
    server = Influxdb(tmp_path / "influxdb", data_conf=setting)
    server.start()
    url = f"influx://127.0.0.1:{server.port}/torn"

    def log_files():
        return [one for one in tmp_path.rglob("*.wal") if one.stat().st_size]

    def write(first):
        store = open_store(url)
        store.write([Reading("reed", "ph", "main", 10**15 + first + n, 6.5) for n in range(100)])
        store.close()

    write(0)
    entry = b"".join(one.read_bytes() for one in log_files())[:100]
    wait_until(lambda: not log_files())
    server.kill()
    folder = next(tmp_path.rglob("*.tsm")).parent
    torn = tmp_path / "influxdb" / "wal" / folder.relative_to(tmp_path / "influxdb" / "data")
    (torn / "_00099.wal").write_bytes(entry or b"\x01\x00\x00\x40\x00torn")
    server.start()
    write(1000)
    wait_until(lambda: not log_files())
    server.kill()
    server.start()
    store = open_store(url)
    assert len(store.read(SeriesKey("reed", "ph", "main"), 0, 1 << 60).time_us) == 200
    store.close()
    server.stop()
