"""The forms of CSV files: several quantities in a row, or one reading, as an export has them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import compress, repeat
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

from service.errors import LEFT_OUT, InvalidInputError, LittoralError, StoreRefusedError
from service.quantities import QUANTITIES
from service.store.checks import check_readings
from service.store.columns import ReadingColumns
from service.store.model import Flag, Reading, SeriesKey
from service.store.transfer.csv_mapping import SENSOR, CsvMapping, ValueColumn, affine
from service.store.transfer.row_reader import Block, Rejected, Row, RowReader
from service.store.transfer.times import TimeReader

T = TypeVar("T", float, npt.NDArray[np.float64])
_TIME_NAMES: Final = ("time", "timestamp", "datetime", "date_time", "date time", "date")


def row_reader(header: Sequence[str], mapping: CsvMapping, times: TimeReader) -> RowReader:
    """How each row under a header is read.

    Raises:
        InvalidInputError: a column is missing; names those that there are.
    """
    names = [name.strip() for name in header]
    time_at = _time_column(names, mapping.time)
    if not mapping.columns and {"quantity", "value"} <= set(names):
        return _LongRows(names, time_at, mapping, times)
    columns = mapping.columns or tuple(
        ValueColumn(name, name.lower()) for name in names if name.lower() in QUANTITIES
    )
    if not columns:
        raise InvalidInputError.of_field(
            "column", names, f"at least one named like a quantity ({', '.join(QUANTITIES)})"
        )
    if mapping.tank is None:
        raise InvalidInputError.of_field("tank", LEFT_OUT, "the tank whose readings these are")
    for column in columns:
        _at(names, column.name)
    return _WideRows(names, time_at, columns, mapping, times)


def _at(names: Sequence[str], name: str) -> int:
    if name not in names:
        raise InvalidInputError.of_field("column", name, f"one of {', '.join(names)}")
    return names.index(name)


def _time_column(names: Sequence[str], given: str | None) -> int:
    if given is not None:
        return _at(names, given)
    lower = [name.lower() for name in names]
    for name in _TIME_NAMES:
        if name in lower:
            return lower.index(name)
    raise InvalidInputError.of_field("time", names, f"a column {' or '.join(_TIME_NAMES)}")


class _WideRows(RowReader):
    """One row, one time, several quantities."""

    def __init__(
        self,
        names: Sequence[str],
        time_at: int,
        columns: Sequence[ValueColumn],
        mapping: CsvMapping,
        times: TimeReader,
    ) -> None:
        super().__init__(mapping, times, time_at, len(names))
        self._columns = [
            (names.index(column.name), column, affine(column.quantity, column.unit))
            for column in columns
        ]
        self.readings_per_row = len(columns)

    def _of_columns(
        self, columns: Sequence[Sequence[str]], times_us: npt.NDArray[np.int64]
    ) -> Block:
        """See ``RowReader``; a blank cell is no reading."""
        tank = self._mapping.tank or ""
        shape = (len(times_us), len(self._columns))
        values, filled = np.empty(shape), np.ones(shape, bool)
        for place, (at, _, line) in enumerate(self._columns):
            cells = columns[at]
            there = [bool(cell) and not cell.isspace() for cell in cells]
            if all(there):
                values[:, place] = _converted(self._numbers(cells), line)
            else:
                filled[:, place] = there
                numbers = self._numbers(list(compress(cells, there)))
                values[there, place] = _converted(numbers, line)
        names = [SeriesKey(tank, column.quantity, column.sensor) for _, column, _ in self._columns]
        keys = tuple(dict.fromkeys(names))  # a file may have two columns of one sensor
        series = np.array([keys.index(name) for name in names], np.intp)
        chosen = filled.ravel()
        readings = ReadingColumns(
            keys,
            np.tile(series, shape[0])[chosen],
            np.repeat(times_us, shape[1])[chosen],
            values.ravel()[chosen],
            np.zeros(int(chosen.sum()), np.int32),
        )
        return Block(readings)

    def read(self, row: Sequence[str], line: int) -> Row:
        """The readings of one row, and what is wrong with it."""
        try:
            time_us = self._time_us(row)
        except ValueError as error:
            return Row(rejected=[Rejected(line, "", str(error))])
        readings: list[Reading] = []
        rejected: list[Rejected] = []
        for at, column, to_canonical in self._columns:
            if not row[at].strip():
                continue
            try:
                sent = self._number(row[at])
            except ValueError as error:
                rejected.append(Rejected(line, column.name, str(error)))
                continue
            value = _converted(sent, to_canonical)
            reading = Reading(
                self._mapping.tank or "",
                column.quantity,
                column.sensor,
                time_us,
                value,
            )
            try:
                check_readings((reading,))
            except StoreRefusedError as error:
                rejected.append(Rejected(line, column.name, error.detail))
            else:
                readings.append(reading)
        return Row(readings, rejected=rejected)


class _LongRows(RowReader):
    """One row, one reading, as ``littoral export`` writes them."""

    def __init__(
        self, names: Sequence[str], time_at: int, mapping: CsvMapping, times: TimeReader
    ) -> None:
        super().__init__(mapping, times, time_at, len(names))
        if mapping.tank is None:
            _at(names, "tank")
        self._quantity_at = names.index("quantity")
        self._value_at = names.index("value")
        optional = ("tank", "sensor", "unit", "flags", "raw")
        self._tank_at, self._sensor_at, self._unit_at, self._flags_at, self._raw_at = (
            names.index(name) if name in names else None for name in optional
        )

    def _of_columns(
        self, columns: Sequence[Sequence[str]], times_us: npt.NDArray[np.int64]
    ) -> Block:
        """See ``RowReader``."""
        values = self._numbers(columns[self._value_at])
        keys, series, lines = self._series_of(columns)
        for place, line in enumerate(lines):
            chosen = series == place
            values[chosen] = _converted(values[chosen], line)
        raw = None
        if self._raw_at is not None and any(map(str.strip, columns[self._raw_at])):
            numbers = [
                self._number(cell) if cell.strip() else math.nan for cell in columns[self._raw_at]
            ]
            raw = np.array(numbers)
        flags, flagged = np.zeros(len(values), np.int32), False
        if self._flags_at is not None:
            texts = [cell.strip() for cell in columns[self._flags_at]]
            flagged = any(texts)
            if flagged:
                flags[:] = [_flags_of(text) for text in texts]
        one_of_each = tuple(dict.fromkeys(keys))  # a series may come in several units
        series = np.array([one_of_each.index(key) for key in keys], np.intp)[series]
        return Block(ReadingColumns(one_of_each, series, times_us, values, flags, raw), flagged)

    def _series_of(
        self, columns: Sequence[Sequence[str]]
    ) -> tuple[tuple[SeriesKey, ...], npt.NDArray[np.intp], list[tuple[float, float]]]:
        """The series with the unit of each row, and the lines to the canonical units."""
        places = (self._tank_at, self._quantity_at, self._sensor_at, self._unit_at)
        cells = [() if at is None else columns[at] for at in places]
        if all(not column or column.count(column[0]) == len(column) for column in cells):
            named = [tuple(column[0] if column else "" for column in cells)]
            series = np.zeros(len(columns[0]), np.intp)
        else:
            rows = list(zip(*(column or repeat("") for column in cells), strict=False))
            indices: dict[tuple[str, ...], int] = {}
            series = np.array([indices.setdefault(row, len(indices)) for row in rows], np.intp)
            named = list(indices)
        found = [self._series(*one) for one in named]
        return tuple(key for key, _ in found), series, [line for _, line in found]

    def _series(
        self, tank: str, quantity: str, sensor: str, unit: str
    ) -> tuple[SeriesKey, tuple[float, float]]:
        """A series and its line to the canonical unit, of the cells of a row."""
        quantity = quantity.strip()
        line = affine(quantity, unit.strip() or None)
        return SeriesKey(self._tank(tank), quantity, sensor.strip() or SENSOR), line

    def _tank(self, cell: str) -> str:
        if self._mapping.tank is not None:
            return self._mapping.tank
        tank = cell.strip()
        if self._mapping.tanks is not None and tank not in self._mapping.tanks:
            raise ValueError(f"tank is {tank[:40]!r}; allowed: the id of a registered tank")
        return tank

    def read(self, row: Sequence[str], line: int) -> Row:
        """The reading of one row, or what is wrong with it."""
        try:
            reading, flagged = self._reading(row)
            check_readings((reading,))
        except ValueError as error:
            return Row(rejected=[Rejected(line, "", str(error))])
        except LittoralError as error:
            return Row(rejected=[Rejected(line, "", error.detail)])
        return Row([reading], flagged)

    def _reading(self, row: Sequence[str]) -> tuple[Reading, bool]:
        """The reading, and whether the row has its flags."""
        time_us = self._time_us(row)
        quantity = row[self._quantity_at].strip()
        unit = "" if self._unit_at is None else row[self._unit_at].strip()
        to_canonical = affine(quantity, unit or None)
        sent = self._number(row[self._value_at])
        value = _converted(sent, to_canonical)
        raw = None
        if self._raw_at is not None and row[self._raw_at].strip():
            raw = self._number(row[self._raw_at])
        sensor = "" if self._sensor_at is None else row[self._sensor_at].strip()
        tank = self._tank("" if self._tank_at is None else row[self._tank_at])
        text = "" if self._flags_at is None else row[self._flags_at].strip()
        flags = _flags_of(text) if text else Flag.NONE
        reading = Reading(tank, quantity, sensor or SENSOR, time_us, value, flags, raw)
        return reading, bool(text)


def _converted(numbers: T, line: tuple[float, float]) -> T:
    """A number, or several, in the canonical unit."""
    factor, offset = line
    return numbers if factor == 1 and offset == 0 else factor * numbers + offset


@lru_cache(maxsize=1024)
def _flags_of(text: str) -> Flag:
    if not text.isdigit() or int(text) > sum(Flag):
        raise ValueError(f"flags is {text[:40]!r}; allowed: 0 to {sum(Flag)}")
    return Flag(int(text))
