"""Export, and copies that are proven."""

from __future__ import annotations

import io
import math
from datetime import UTC, datetime

import numpy as np
import pytest
import requests

from service.store import Extent, Flag, Reading, Samples, open_store
from service.store.sqlite.store import SqliteStore
from service.store.transfer.copy import copy, thinned, verify
from service.store.transfer.csv_mapping import CsvMapping
from service.store.transfer.export import chunks, write_csv, write_lines, write_parquet
from tests.servers import HOST
from tests.store.conftest import show_on
from tests.store.transfer.exporting import filled
from tests.store.transfer.importing import DAY, SECOND, T0, TANK, imported


class TestExport:
    def test_csv_round_trip_is_the_same_bit_for_bit(self, tmp_path, store):
        keys = filled(store)
        out = io.StringIO()
        assert write_csv(out, chunks(store, keys, None, None)) == 1800
        assert out.getvalue().startswith(
            "time,tank,quantity,sensor,value,unit,flags,raw\n2026-03-01T22:41:17Z,quarry-pool,"
        )
        other = SqliteStore(tmp_path / "other.db")
        report, rejected = imported(tmp_path, other, out.getvalue(), CsvMapping())
        assert (report.readings, rejected) == (1800, [])
        for key in keys:
            found = verify(store, other, key)
            assert found.same
            assert (found.count, found.allowed_error) == (900, 0)
        other.close()

    def test_span_is_half_open_and_progress_reaches_one(self, store):
        keys = filled(store)
        shares = []
        data = list(chunks(store, keys[:1], T0, T0 + 2017 * SECOND, on_progress=shares.append))
        assert [samples.time_us.tolist() for _, samples in data] == [[T0]]
        assert shares[-1] == 1.0

    def test_line_protocol_is_what_influxdb_takes(self, store, influxdb):
        keys = filled(store)
        out = io.StringIO()
        assert write_lines(out, chunks(store, keys, None, None)) == 1800
        target = open_store(f"influx://{HOST}:{influxdb.port}/lines")
        answer = requests.post(
            f"{influxdb.url}/write",
            params={"db": "lines", "precision": "ns"},
            data=out.getvalue().encode(),
            timeout=60,
        )
        assert answer.status_code == 204
        for key in keys:
            assert verify(store, target, key).same
        target.close()

    def test_parquet_reads_back(self, tmp_path, store):
        import pyarrow.parquet

        keys = filled(store)
        path = tmp_path / "out.parquet"
        assert write_parquet(path, chunks(store, keys, None, None)) == 1800
        table = pyarrow.parquet.read_table(path)
        assert table.num_rows == 1800
        first = table.slice(0, 2).to_pylist()
        assert first[0]["time"] == datetime(2026, 3, 1, 22, 41, 17, tzinfo=UTC)
        assert first[0]["unit"] == "Cel"
        assert first[0]["sensor"] == "sump, left"
        assert first[1]["raw"] is None
        samples = store.read(keys[0], 0, 2**62, flagged=True)
        np.testing.assert_array_equal(table["value"].to_numpy()[:900], samples.value)


class TestCopy:
    @pytest.mark.parametrize("backend", ["sqlite", "influx", "victoriametrics"])
    def test_copy_is_proven_the_same(self, backend, tmp_path, store, request):
        keys = filled(store)
        url = {
            "sqlite": lambda: f"sqlite:///{tmp_path}/copy.db",
            "influx": lambda: f"influx://{HOST}:{request.getfixturevalue('influxdb').port}/copy",
            "victoriametrics": lambda: (
                f"victoriametrics://{HOST}:{request.getfixturevalue('victoriametrics').port}"
            ),
        }[backend]()
        target = open_store(url)
        assert copy(store, target, keys) == 1800
        assert copy(store, target, keys[:1]) == 900
        target.close()
        if backend == "victoriametrics":
            show_on(request.getfixturevalue("victoriametrics").url)
        target = open_store(url)
        for key in keys:
            found = verify(store, target, key)
            assert found.same, found
            assert found.checksum == found.other_checksum
            assert found.count == found.other_count == 900
            assert found.allowed_error == target.value_tolerance
        back = SqliteStore(tmp_path / "back.db")
        assert copy(target, back, keys) == 1800
        assert all(verify(store, back, key).other_count == 900 for key in keys)
        back.close()
        target.delete_tank(TANK)
        target.close()

    def test_each_kind_of_difference_is_found(self, tmp_path, store):
        (key, _) = filled(store)
        target = SqliteStore(tmp_path / "copy.db")
        copy(store, target, [key])
        newest = target.latest(key, flagged=True)
        names = (key.tank, key.quantity, key.sensor)

        def differs_with(*changed):
            target.write([Reading(*names, *changed)])
            found = verify(store, target, key)
            target.write([newest])
            assert verify(store, target, key).same
            return not found.same

        time_us, value = newest.time_us, newest.value
        assert differs_with(time_us, math.nextafter(value, 0), newest.flags, newest.raw)
        assert differs_with(time_us, value, newest.flags | Flag.DISAGREES, newest.raw)
        assert differs_with(time_us, value, newest.flags, 1.0)
        target.write([Reading(*names, time_us - 1, value)])
        found = verify(store, target, key)
        assert not found.same
        assert (found.count, found.other_count) == (900, 901)
        target.close()

    def test_of_readings_that_fall_together_in_a_coarser_store_the_last_counts(self):
        times = np.array([1000, 1400, 1999, 2000, 3500, 3501])
        samples = Samples(times, times / 10, np.zeros(6, np.int32), times / 5)
        kept = thinned(samples, 1000)
        assert kept.time_us.tolist() == [1999, 2000, 3501]
        assert (kept.value.tolist(), kept.raw.tolist()) == (
            [199.9, 200.0, 350.1],
            [399.8, 400.0, 700.2],
        )

    def test_span_limits_copy_and_comparison(self, tmp_path, store):
        (key, _) = filled(store)
        target = SqliteStore(tmp_path / "copy.db")
        end = T0 + 10 * DAY
        count = copy(store, target, [key], start_us=T0 + DAY, end_us=end)
        assert target.extent(key).count == count
        assert isinstance(target.extent(key), Extent)
        assert verify(store, target, key, start_us=T0 + DAY, end_us=end).same
        assert not verify(store, target, key).same
        target.close()
