"""Import of other programs' CSV, export, and copies that are proven."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import requests

from ingest.process import Calibrations, ClockLimits, Processor
from service.errors import InvalidInputError, StoreUnavailableError
from service.store import Extent, Flag, Reading, Samples, SeriesKey, open_store
from service.store.sqlite.store import SqliteStore
from service.store.transfer import importer
from service.store.transfer.copy import copy, thinned, verify
from service.store.transfer.csv_mapping import CsvMapping, ValueColumn, column_of_text
from service.store.transfer.export import chunks, write_csv, write_lines, write_parquet
from service.store.transfer.importer import ImportReport, import_csv
from service.store.transfer.times import TimeReader, zone_of
from service.times import to_us
from tests.servers import HOST
from tests.store.conftest import show_on

SECOND, DAY = 1_000_000, 86_400_000_000
T0 = to_us(datetime(2026, 3, 1, 22, 41, 17, tzinfo=UTC))
TANK = "quarry-pool"


@pytest.fixture
def store(tmp_path):
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()


def judge_for(store):
    """The processor of ``littoral import``."""
    processor = Processor(Calibrations, ClockLimits(0, 0), store, warm_up_s=math.inf)
    return lambda readings: processor.process_archived(readings, T0 + 400 * DAY).readings


def imported(tmp_path, store, text, mapping=None, times=None, **options):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding=options.pop("encoding", "utf-8"))
    rejected = []
    report = import_csv(
        path,
        mapping or CsvMapping(TANK),
        times or TimeReader(),
        judge_for(store),
        store.write,
        on_rejected=rejected.append,
        **options,
    )
    assert report.rejected == len(rejected)
    return report, rejected


def values(store, quantity, sensor="import", flagged=True):
    samples = store.read(SeriesKey(TANK, quantity, sensor), 0, 2**62, flagged=flagged)
    return list(zip(samples.time_us.tolist(), samples.value.tolist(), strict=True))


def us(text):
    return to_us(datetime.fromisoformat(text))


class TestTimes:
    @pytest.mark.parametrize(
        ("form", "text", "expected"),
        [
            ("auto", "2026-03-01T22:41:17Z", "2026-03-01T22:41:17+00:00"),
            ("auto", "2026-03-01 22:41:17.25+01:00", "2026-03-01T21:41:17.25+00:00"),
            ("auto", "1772404877", "2026-03-01T22:41:17+00:00"),
            ("auto", "1772404877.000001", "2026-03-01T22:41:17.000001+00:00"),
            ("auto", "1772404877250", "2026-03-01T22:41:17.25+00:00"),
            ("auto", "1772404877250001", "2026-03-01T22:41:17.250001+00:00"),
            ("unix-ms", "1772404877250", "2026-03-01T22:41:17.25+00:00"),
            ("%d.%m.%Y %H:%M %z", "01.03.2026 22:41 +0000", "2026-03-01T22:41:00+00:00"),
        ],
    )
    def test_forms(self, form, text, expected):
        assert TimeReader(form).read(text) == us(expected)

    def test_local_times_around_both_changes_of_the_clock(self):
        """EU rules: 2026-03-29 02:00 CET skips to 03:00; 2026-10-25 03:00 CEST goes back."""
        times = TimeReader(zone=ZoneInfo("Europe/Berlin"))
        assert times.read("2026-03-29 01:59") == us("2026-03-29T00:59+00:00")
        with pytest.raises(ValueError, match="which clocks in Europe/Berlin skipped"):
            times.read("2026-03-29 02:30")
        assert times.read("2026-03-29 03:00") == us("2026-03-29T01:00+00:00")
        local = ["02:00", "02:30", "02:00", "02:30", "03:00"]
        utc = [times.read(f"2026-10-25 {text}") for text in local]
        assert np.diff(utc).tolist() == [1800 * SECOND] * 4
        assert utc[0] == us("2026-10-25T00:00+00:00")

    def test_time_without_zone_is_refused_when_none_is_given(self):
        with pytest.raises(ValueError, match="without a time zone; allowed: give the zone"):
            TimeReader().read("2026-03-01 22:41")

    @pytest.mark.parametrize("text", ["yesterday", "", "2026-13-01T00:00Z", "nan"])
    def test_no_time(self, text):
        with pytest.raises(ValueError, match="allowed: the form auto"):
            TimeReader(zone=UTC).read(text)

    def test_unknown_form_or_zone_names_what_is_allowed(self):
        with pytest.raises(InvalidInputError, match="time-format is 'excel'; allowed: auto, iso"):
            TimeReader("excel")
        with pytest.raises(InvalidInputError, match="zone is 'Atlantis'; allowed: an IANA name"):
            zone_of("Atlantis")


class TestImport:
    def test_columns_named_like_quantities(self, tmp_path, store):
        text = "Time,Temperature,pH,comment\n2026-03-01T22:41:17Z,24.5,6.6,fine\n"
        report, rejected = imported(tmp_path, store, text)
        assert (report.readings, report.rows, rejected) == (2, 1, [])
        assert values(store, "temperature") == [(T0, 24.5)]
        assert values(store, "ph") == [(T0, 6.6)]

    def test_mapping_units_zone_and_decimal_comma(self, tmp_path, store):
        text = "Datum;Temp F;EC\n01.03.2026 23:41;76,1;0,35\n01.03.2026 23:51;;0,36\n"
        mapping = CsvMapping(
            TANK,
            (
                column_of_text("Temp F=temperature:degF@sump"),
                column_of_text("EC=conductivity:mS/cm"),
            ),
            "Datum",
            decimal_comma=True,
        )
        times = TimeReader("%d.%m.%Y %H:%M", ZoneInfo("Europe/Berlin"))
        report, rejected = imported(tmp_path, store, text, mapping, times, delimiter=";")
        assert (report.readings, rejected) == (3, [])
        ((time_us, value),) = values(store, "temperature", "sump")
        # 76.1 °F = (76.1 - 32) / 1.8 = 24.5 °C, by the definition of the Fahrenheit scale.
        assert (time_us, value) == (us("2026-03-01T22:41+00:00"), pytest.approx(24.5))
        assert [v for _, v in values(store, "conductivity")] == pytest.approx([350.0, 360.0])
        # 76.1 is no number before calibration: a recalculation would take it for °C.
        assert store.latest(SeriesKey(TANK, "temperature", "sump")).raw is None

    def test_a_row_for_each_reading_may_name_its_unit(self, tmp_path, store):
        text = (
            "time,quantity,unit,value,sensor\n"
            "2026-03-01T22:41:17Z,temperature,degF,76.1,sump\n"
            "2026-03-01T22:42:17Z,temperature,,24.6,sump\n"
        )
        report, rejected = imported(tmp_path, store, text)
        assert (report.readings, rejected) == (2, [])
        assert [v for _, v in values(store, "temperature", "sump")] == pytest.approx([24.5, 24.6])

    def test_what_is_no_reading_is_told_with_its_line_and_the_rest_is_kept(self, tmp_path, store):
        text = (
            "time,temperature,ph\n"
            "2026-03-01T22:41:17Z,24.5,n/a\n"
            "yesterday,24.5,6.6\n"
            "2026-03-01T22:41:18Z,24.6\n"
            "\n"
            "2026-03-01T22:41:19Z,nan,6.7\n"
            "1970-01-01T00:00:00Z,24.5,\n"
        )
        report, rejected = imported(tmp_path, store, text)
        assert report.readings == 2
        assert report.rows == 5
        assert [(r.line, r.column) for r in rejected] == [
            (2, "ph"),
            (3, ""),
            (4, ""),
            (6, "temperature"),
            (7, "temperature"),
        ]
        assert rejected[0].reason == "value is 'n/a'; allowed: a finite number"
        assert rejected[2].reason == "the row has 2 cells; allowed: 3"
        assert "allowed: 2000 to 2261" in rejected[4].reason
        assert report.reasons["column ph: value; allowed: a finite number"] == 1

    def test_absurd_values_are_kept_with_a_flag(self, tmp_path, store):
        imported(tmp_path, store, "time,ph\n2026-03-01T22:41:17Z,77\n")
        assert values(store, "ph", flagged=False) == []
        assert store.latest(SeriesKey(TANK, "ph", "import"), flagged=True).flags == Flag.IMPLAUSIBLE

    def test_flags_of_the_file_stay_and_rows_without_are_judged(self, tmp_path, store):
        text = (
            "time,quantity,value,flags,raw\n"
            "2026-03-01T22:41:17Z,ph,77,0,\n"
            "2026-03-01T22:41:18Z,ph,77,,\n"
            "2026-03-01T22:41:19Z,ph,6.6,36,59.2\n"
        )
        report, rejected = imported(tmp_path, store, text)
        assert (report.readings, rejected, +report.flagged) == (3, [], {"implausible": 1})
        key = SeriesKey(TANK, "ph", "import")
        samples = store.read(key, 0, 2**62, flagged=True, raw=True)
        assert samples.value.tolist() == [77.0, 77.0, 6.6]
        assert samples.flags.tolist() == [0, Flag.IMPLAUSIBLE, Flag.STUCK | Flag.UNCALIBRATED]
        assert samples.raw[2] == 59.2

    def test_byte_order_mark_and_quoted_line_breaks(self, tmp_path, store):
        text = 'time,note,ph\n2026-03-01T22:41:17Z,"two\nlines",6.6\n2026-03-01T22:41:18Z,,x\n'
        report, rejected = imported(tmp_path, store, text, encoding="utf-8-sig")
        assert report.readings == 1
        assert [r.line for r in rejected] == [4]

    @pytest.mark.parametrize(
        ("text", "mapping", "message"),
        [
            ("", CsvMapping(TANK), "file is .*; allowed: a CSV file with a header line"),
            ("a,b\n", CsvMapping(TANK), "time is .*; allowed: a column time or timestamp"),
            ("time,b\n", CsvMapping(TANK), "column is .*; allowed: at least one named like a q"),
            ("time,ph\n", CsvMapping(), "tank is missing; allowed: the tank"),
            ("time,quantity,value\n", CsvMapping(), "column is 'tank'; allowed: one of time, q"),
            (
                "time,b\n",
                CsvMapping(TANK, (ValueColumn("c", "ph"),)),
                "column is 'c'; allowed: one of time, b",
            ),
        ],
    )
    def test_file_that_does_not_fit_is_refused_before_anything_is_stored(
        self, tmp_path, store, text, mapping, message
    ):
        with pytest.raises(InvalidInputError, match=message):
            imported(tmp_path, store, text, mapping)
        assert store.series() == []

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("ph", "column is 'ph'; allowed: NAME=QUANTITY"),
            ("T=warmth", "quantity is 'warmth'; allowed: temperature, ph"),
            ("T=temperature:dKH", "unit is 'dKH'"),
        ],
    )
    def test_bad_column_text(self, text, message):
        with pytest.raises(InvalidInputError, match=message):
            column_of_text(text)

    def test_interrupted_import_goes_on_where_it_stopped(self, tmp_path, store, monkeypatch):
        monkeypatch.setattr(importer, "BATCH", 100)
        rows = [f"{(T0 // SECOND) + i},{6 + i / 1000}" for i in range(950)]
        rows[120] = "bad,6.6"
        path = tmp_path / "log.csv"
        path.write_text("time,ph\n" + "\n".join(rows) + "\n")
        taken = []

        def fails_at_the_fifth(readings):
            if len(taken) == 4:
                raise StoreUnavailableError("gone")
            taken.append(len(readings))
            store.write(readings)

        def again(write, **options):
            return import_csv(
                path, CsvMapping(TANK), TimeReader(), judge_for(store), write, **options
            )

        with pytest.raises(StoreUnavailableError):
            again(fails_at_the_fifth)
        assert len(values(store, "ph")) == 400
        batches = []
        report = again(lambda readings: (batches.append(len(readings)), store.write(readings)))
        assert report.resumed_at == 402
        assert (report.readings, report.rejected, report.rows) == (949, 1, 950)
        assert sum(batches) == 549
        assert len(values(store, "ph")) == 949
        assert [p.name for p in tmp_path.glob(".*import*")] == []
        assert again(store.write).resumed_at == 0
        assert len(values(store, "ph")) == 949

    def test_note_of_another_file_or_mapping_is_not_used(self, tmp_path, store):
        path = tmp_path / "log.csv"
        path.write_text("time,ph\n2026-03-01T22:41:17Z,6.6\n")
        note = {"identity": "other", "offset": 8, "line": 1, "readings": 5, "rejected": 0}
        (tmp_path / ".log.csv.import").write_text(json.dumps(note | {"rows": 5}))
        report = import_csv(
            path, CsvMapping(TANK), TimeReader(), judge_for(store), store.write, identity="mine"
        )
        assert (report.readings, report.resumed_at) == (1, 0)

    def test_progress_reaches_the_end(self, tmp_path, store):
        seen = []
        imported(
            tmp_path,
            store,
            "time,ph\n2026-03-01T22:41:17Z,6.6\n",
            on_progress=lambda done, total: seen.append((done, total)),
        )
        assert seen[-1][0] == seen[-1][1] == 33


def filled(store):
    """Two series over three weeks, with flags, raw numbers and odd names."""
    rng = np.random.default_rng(7)
    keys = [SeriesKey(TANK, "temperature", "sump, left"), SeriesKey(TANK, "ph", 'probe "2"')]
    for key in keys:
        rows = []
        for i in range(900):
            flags = Flag.SPIKE if i % 50 == 0 else Flag.LATE if i % 70 == 0 else Flag.NONE
            raw = round(float(rng.normal(70, 1)), 3) if i % 3 == 0 else None
            time_us = T0 + i * 2017 * SECOND + (i % 2) * 250_000
            rows.append(Reading(*(key.tank, key.quantity, key.sensor), time_us,
                                float(rng.normal(20, 3)), flags, raw))  # fmt: skip
        store.write(rows)
    return keys


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


def test_flags_that_change_across_batches_are_counted_once() -> None:
    first, second = (Reading("reed", "ph", "main", time_us, 7.0) for time_us in (1, 2))
    report = ImportReport()
    report.count_flags([first], [replace(first, flags=Flag.LATE)])
    # known only with the next batch: it was a spike
    report.count_flags([second], [second, replace(first, flags=Flag.LATE | Flag.SPIKE)])
    assert report.flagged == {"late": 1, "spike": 1}
    report.count_flags([], [replace(first, flags=Flag.LATE)])
    assert report.flagged == {"late": 1, "spike": 0}
