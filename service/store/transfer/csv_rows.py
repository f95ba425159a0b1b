"""CSV files of other programs: which column is which quantity, and each row as readings."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final, NamedTuple

from service import units
from service.errors import (
    LEFT_OUT,
    InvalidInputError,
    LittoralError,
    StoreRefusedError,
    UnknownUnitError,
)
from service.store.checks import check_readings
from service.store.model import Flag, Reading
from service.store.transfer.times import TimeReader

#: Name of the sensor where nothing names it.
SENSOR: Final = "import"
_COLUMN: Final = re.compile(
    r"(?P<name>.+?)=(?P<quantity>[a-z_]+)(?::(?P<unit>[^@]+))?(?:@(?P<sensor>.+))?"
)
_TIME_NAMES: Final = ("time", "timestamp", "datetime", "date_time", "date time", "date")


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """A column that holds one quantity.

    Attributes:
        name: as in the file's header.
        quantity: one of ``service.units.QUANTITIES``.
        unit: of its numbers; None: the canonical one.
        sensor: which sensor it is from.
    """

    name: str
    quantity: str
    unit: str | None = None
    sensor: str = SENSOR


@dataclass(frozen=True, slots=True)
class CsvMapping:
    """How to read a file.

    Attributes:
        tank: whose readings they are; None when the file has a column ``tank``.
        columns: the columns with numbers; none of them: those named like a quantity, or the
            long form with columns ``quantity`` and ``value``, as ``littoral export`` writes it.
        time: name of the column with the time; None: the one that is named so.
        decimal_comma: numbers are written ``24,5``.
        tanks: those that a column ``tank`` may name; None: any.
    """

    tank: str | None = None
    columns: tuple[ValueColumn, ...] = ()
    time: str | None = None
    decimal_comma: bool = False
    tanks: frozenset[str] | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Rejected:
    """A cell, or a whole row, that is no reading."""

    line: int
    column: str
    reason: str


class Row(NamedTuple):
    """One row of a file.

    Attributes:
        readings: in canonical units.
        flagged: whether the file has their flags, as an export does; else they are to be judged.
        rejected: what is no reading.
    """

    readings: Sequence[Reading] = ()
    flagged: bool = False
    rejected: Sequence[Rejected] = ()


RowReader = Callable[[Sequence[str], int], Row]


def column_of_text(text: str) -> ValueColumn:
    """A column from ``NAME=QUANTITY[:UNIT][@SENSOR]``, e.g. ``Temp F=temperature:degF``.

    Raises:
        InvalidInputError: not of that form, or an unknown quantity or unit.
    """
    match = _COLUMN.fullmatch(text)
    if match is None:
        raise InvalidInputError.of_field("column", text, "NAME=QUANTITY[:UNIT][@SENSOR]")
    column = ValueColumn(match["name"], match["quantity"], match["unit"], match["sensor"] or SENSOR)
    _affine(column.quantity, column.unit)
    return column


@lru_cache(maxsize=256)
def _affine(quantity: str, unit: str | None) -> tuple[float, float]:
    """Factor and offset to the canonical unit: pint is asked once for each unit, not each cell."""
    zero, one, many = (units.to_canonical(quantity, x, unit) for x in (0.0, 1.0, 1000.0))
    if not math.isclose(many, zero + 1000.0 * (one - zero), rel_tol=1e-9, abs_tol=1e-9):
        raise UnknownUnitError.of_field("unit", unit, "a unit that converts by a straight line")
    return one - zero, zero


def row_reader(header: Sequence[str], mapping: CsvMapping, times: TimeReader) -> RowReader:
    """How each row under a header is read.

    Raises:
        InvalidInputError: a column is missing; names those that there are.
    """
    names = [name.strip() for name in header]
    time_at = _time_column(names, mapping.time)
    if not mapping.columns and {"quantity", "value"} <= set(names):
        return _LongRows(names, time_at, mapping, times).read
    columns = mapping.columns or tuple(
        ValueColumn(name, name.lower()) for name in names if name.lower() in units.QUANTITIES
    )
    if not columns:
        raise InvalidInputError.of_field(
            "column", names, f"at least one named like a quantity ({', '.join(units.QUANTITIES)})"
        )
    if mapping.tank is None:
        raise InvalidInputError.of_field("tank", LEFT_OUT, "the tank whose readings these are")
    for column in columns:
        _at(names, column.name)
    return _WideRows(names, time_at, columns, mapping, times).read


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


class _Rows:
    def __init__(self, mapping: CsvMapping, times: TimeReader, time_at: int, width: int) -> None:
        self._mapping = mapping
        self._times = times
        self._time_at = time_at
        self._width = width

    def _time_us(self, row: Sequence[str]) -> int:
        if len(row) != self._width:
            raise ValueError(f"the row has {len(row)} cells; allowed: {self._width}")
        return self._times.read(row[self._time_at])

    def _number(self, text: str) -> float:
        number = text.strip().replace(",", ".", 1) if self._mapping.decimal_comma else text
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise ValueError(f"value is {text[:40]!r}; allowed: a finite number")
        return value


class _WideRows(_Rows):
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
            (names.index(column.name), column, _affine(column.quantity, column.unit))
            for column in columns
        ]

    def read(self, row: Sequence[str], line: int) -> Row:
        """The readings of one row, and what is wrong with it."""
        try:
            time_us = self._time_us(row)
        except ValueError as error:
            return Row(rejected=[Rejected(line, "", str(error))])
        readings: list[Reading] = []
        rejected: list[Rejected] = []
        for at, column, (factor, offset) in self._columns:
            if not row[at].strip():
                continue
            try:
                sent = self._number(row[at])
            except ValueError as error:
                rejected.append(Rejected(line, column.name, str(error)))
                continue
            value = sent if factor == 1 and offset == 0 else factor * sent + offset
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


class _LongRows(_Rows):
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
        factor, offset = _affine(quantity, unit or None)
        sent = self._number(row[self._value_at])
        value = sent if factor == 1 and offset == 0 else factor * sent + offset
        raw = None
        if self._raw_at is not None and row[self._raw_at].strip():
            raw = self._number(row[self._raw_at])
        sensor = "" if self._sensor_at is None else row[self._sensor_at].strip()
        tank = self._mapping.tank
        if tank is None and self._tank_at is not None:
            tank = row[self._tank_at].strip()
            if self._mapping.tanks is not None and tank not in self._mapping.tanks:
                raise ValueError(f"tank is {tank[:40]!r}; allowed: the id of a registered tank")
        text = "" if self._flags_at is None else row[self._flags_at].strip()
        flags = _flags_of(text) if text else Flag.NONE
        reading = Reading(tank or "", quantity, sensor or SENSOR, time_us, value, flags, raw)
        return reading, bool(text)


@lru_cache(maxsize=1024)
def _flags_of(text: str) -> Flag:
    if not text.isdigit() or int(text) > sum(Flag):
        raise ValueError(f"flags is {text[:40]!r}; allowed: 0 to {sum(Flag)}")
    return Flag(int(text))
