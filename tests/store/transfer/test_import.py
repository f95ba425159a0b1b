"""Import of other programs' CSV."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.errors import InvalidInputError, StoreUnavailableError
from service.store import Flag, Reading, SeriesKey
from service.store.columns import ReadingColumns
from service.store.transfer import importer
from service.store.transfer.csv_mapping import CsvMapping, ValueColumn, column_of_text
from service.store.transfer.importer import ImportReport, import_csv
from service.store.transfer.times import TimeReader, zone_of
from tests.store.transfer.importing import SECOND, T0, TANK, imported, judge_for, us, values


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


def test_flags_that_change_across_batches_are_counted_once() -> None:
    first, second = (Reading("reed", "ph", "main", time_us, 7.0) for time_us in (1, 2))
    report = ImportReport()
    report.count_flags(ReadingColumns.of([replace(first, flags=Flag.LATE)]), ())
    # known only with the next batch: it was a spike
    spike = replace(first, flags=Flag.LATE | Flag.SPIKE)
    report.count_flags(ReadingColumns.of([second]), [spike])
    assert report.flagged == {"late": 1, "spike": 1}
    report.count_flags(ReadingColumns.of(()), [replace(first, flags=Flag.LATE)])
    assert report.flagged == {"late": 1, "spike": 0}
