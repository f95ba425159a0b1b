"""Blocks of a CSV file read at once give the very readings of its rows read one by one."""

from __future__ import annotations

import csv
import random
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from service.store import Flag, Reading
from service.store.columns import ReadingColumns
from service.store.transfer import importer
from service.store.transfer.csv_file import Lines, RowBlock
from service.store.transfer.csv_mapping import CsvMapping, column_of_text
from service.store.transfer.csv_rows import row_reader
from service.store.transfer.importer import import_csv
from service.store.transfer.times import TimeReader

LONG = ["time", "tank", "quantity", "sensor", "unit", "value", "flags", "raw"]
WIDE = ["time", "T", "ph", "note"]
MAPPING = CsvMapping(
    "cove", (column_of_text("T=temperature:degF@probe"), column_of_text("ph=ph")), None
)
TANKS = CsvMapping(tanks=frozenset({"cove", "riffle"}))
#: Cells in order, and some that are not, of each column.
TIMES = ["1767225600", "1767225600.25", " 1767225601", "2026-10-25T02:30:00", "2026-01-01T00:00Z"]
BAD_TIMES = ["", "soon", "2026-03-29T02:30:00", "12", "99999999999999999999"]
NUMBERS, BAD_NUMBERS = ["6.5", " 7", "1e1", "-0.0", "6_5"], ["nan", "inf", "x", "1,5", "1e999"]


def long_row(random: random.Random, bad: float) -> list[str]:
    """A row as an export writes it; each cell is bad with a probability."""

    def cell(good: list[str], wrong: list[str]) -> str:
        return random.choice(wrong if random.random() < bad else good)

    return [
        cell(TIMES, BAD_TIMES),
        cell(["cove", " riffle "], ["unknown", ""]),
        cell(["temperature"], ["speed", ""]),
        cell(["", "probe"], ["a\x07", "x" * 200]),
        cell(["", "degF", "Cel"], ["mg/L"]),
        cell(NUMBERS, BAD_NUMBERS),
        cell(["", "0", "8"], ["-1", "100000", "x"]),
        cell(["", "3.5"], ["nan", "x"]),
    ][: random.choice([8] if random.random() >= bad else [7, 8])]


def wide_row(random: random.Random, bad: float) -> list[str]:
    """A row of two quantities, often without one of them."""
    numbers = [*NUMBERS, "", " "] if random.random() >= bad else BAD_NUMBERS
    times = TIMES if random.random() >= bad else BAD_TIMES
    return [random.choice(times), random.choice(numbers), random.choice(numbers), "x"]


def times() -> TimeReader:
    return TimeReader(zone=ZoneInfo("Europe/Lisbon"))


@pytest.mark.parametrize(
    ("header", "mapping", "make"),
    [(LONG, TANKS, long_row), (WIDE, MAPPING, wide_row)],
    ids=["long", "wide"],
)
def test_a_block_is_its_rows_or_is_left_to_them(header, mapping, make) -> None:
    generator = random.Random(5)
    clock, other = times(), times()
    one_by_one, at_once = row_reader(header, mapping, clock), row_reader(header, mapping, other)
    whole = 0
    for _ in range(600):
        bad = generator.choice([0.0, 0.0, 0.1])
        rows = [make(generator, bad) for _ in range(generator.randint(1, 4))]
        before = clock.position
        expected = [one_by_one.read(row, 1) for row in rows]
        block = at_once.read_all(RowBlock.of_rows(rows, range(len(rows))).columns)
        flagged = {row.flagged for row in expected}
        if block is None:
            assert other.position == before
            assert any(row.rejected for row in expected) or len(flagged) == 2
            other.position = clock.position
            continue
        whole += 1
        assert not any(row.rejected for row in expected)
        assert list(block.readings) == [one for row in expected for one in row.readings]
        assert [repr(one) for one in block.readings] == [
            repr(one) for row in expected for one in row.readings
        ]
        assert {block.flagged} == flagged
        assert other.position == clock.position
    assert 100 < whole < 590


@pytest.mark.parametrize("batch", [1, 2, 3, 5, 100])
def test_blank_lines_and_refused_rows_keep_their_lines_whatever_the_size_of_blocks(
    tmp_path, monkeypatch, batch
) -> None:
    monkeypatch.setattr(importer, "BATCH", batch)
    path = tmp_path / "log.csv"
    path.write_text(
        'time,temperature,note\n\n1767225600,24,a\n\n\n\n1767225601,x,b\n1767225602,25,"c\nd"\n'
        "1767225603,26,e\n\n1767225604,y,f\n1767225605,27,g\n"
    )
    stored, rejected = [], []
    report = import_csv(
        path,
        CsvMapping("cove"),
        times(),
        lambda readings: (readings, ()),
        stored.extend,
        on_rejected=rejected.append,
    )
    assert [one.value for one in stored] == [24, 25, 26, 27]
    assert [(one.line, one.column) for one in rejected] == [(7, "temperature"), (12, "temperature")]
    assert "value is 'x'; allowed: a finite number" in rejected[0].reason
    assert (report.rows, report.readings, report.rejected) == (6, 4, 2)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_lines_without_quotation_marks_are_the_rows_that_csv_has(tmp_path, delimiter) -> None:
    """Against the csv module of Python: line ends of both kinds, blank lines, odd characters."""
    generator = random.Random(3)
    parts = [
        "6.5",
        "",
        " ",
        "\u2028",
        "\x0b",
        "\x00",
        "ß",
        delimiter,
        delimiter,
        "\n",
        "\r\n",
        "\n\n",
    ]
    for _ in range(300):
        text = "".join(
            generator.choices([*parts, "\r", '"'][: generator.choice([12, 12, 14])], k=12)
        )
        path = tmp_path / "log.csv"
        path.write_bytes(text.encode() + generator.choice([b"", b"\xff\n"]))
        decoded = path.read_bytes().decode("utf-8", "replace")
        with path.open("rb") as file:
            lines = Lines(file)
            block = lines.plain_block(1000, delimiter)
            if block is None:
                assert '"' in text or "\r" in text.replace("\r\n", "")
                assert (lines.offset, lines.line, file.tell()) == (0, 0, 0)
                continue
            assert lines.offset == file.tell() == path.stat().st_size
        numbered = list(enumerate(csv.reader(decoded.split("\n"), delimiter=delimiter), 1))
        expected = [(line, row) for line, row in numbered if row]
        assert list(zip(block.lines, block.rows, strict=True)) == expected


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "\u00a6"])
def test_lines_of_as_many_cells_are_the_columns_that_csv_has(tmp_path, delimiter) -> None:
    """Against the csv module of Python, with a line now and then that is otherwise."""
    generator = random.Random(8)
    cells = [b"6.5", b"", b" ", b"\xe2\x80\xa8", b"\x0b", b"\x00", b"\xff", b"\xe2", b"\xc2\xa6"]
    odd = [b"\n", b"\r\n", b"\r", b'"', b"x\n", delimiter.encode()]
    even = 0
    for _ in range(400):
        width, end = generator.randint(1, 4), generator.choice([b"\n", b"\r\n"])
        lines = [
            delimiter.encode().join(generator.choices(cells, k=width)) + end
            for _ in range(generator.randint(1, 4))
        ]
        if generator.random() < 0.3:
            lines.insert(generator.randrange(len(lines) + 1), generator.choice(odd))
        data = b"".join(lines).removesuffix(generator.choice([b"\n", b"", b""]))
        path = tmp_path / "log.csv"
        path.write_bytes(data)
        with path.open("rb") as file:
            block = Lines(file).plain_block(1000, delimiter)
        if block is None:
            assert b'"' in data or b"\r" in data.replace(b"\r\n", b"").removesuffix(b"\r")
            continue
        text = data.decode("utf-8", "replace")
        numbered = list(enumerate(csv.reader(text.split("\n"), delimiter=delimiter), 1))
        expected = [(line, row) for line, row in numbered if row]
        assert list(zip(block.lines, block.rows, strict=True)) == expected
        rows = [row for _, row in expected]
        if len(set(map(len, rows))) == 1:
            assert list(map(list, block.columns)) == list(map(list, zip(*rows, strict=True)))
            even += 1
        else:
            assert block.columns is None
    assert 150 < even < 380


def test_rows_before_a_line_that_is_no_csv_are_told(tmp_path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time,temperature\n1767225600,x\n1767225601," + "9" * 200_000 + "\n")
    rejected = []
    with pytest.raises(importer.InvalidInputError, match="line 3"):
        import_csv(
            path,
            CsvMapping("cove"),
            times(),
            lambda readings: (readings, ()),
            lambda _: None,
            on_rejected=rejected.append,
        )
    assert [one.line for one in rejected] == [2]


def test_flags_are_counted_once_for_each_time() -> None:
    report = importer.ImportReport()
    sound = [Reading("cove", "ph", "probe", t, 7.0) for t in (1, 1, 2, 3)]
    spike = Reading("cove", "ph", "probe", 2, 7.0, Flag.SPIKE | Flag.LATE)
    first = Reading("cove", "ph", "probe", 1, 7.0, Flag.STUCK)
    report.count_flags(ReadingColumns.of([first, sound[1], spike, sound[3]]), ())
    assert +report.flagged == {"spike": 1, "late": 1}
    before = Reading("cove", "ph", "probe", 0, 7.0)
    report.count_flags(ReadingColumns.of(sound), [replace(before, flags=Flag.SPIKE), before])
    assert report.flagged["spike"] == 0
