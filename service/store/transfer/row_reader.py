"""Rows of a CSV file as readings: a block of them at once, or one by one.

A block is read column by column where all of it is in order. Else its rows are read one by one:
then each that is no reading is known with its reason.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.errors import LittoralError
from service.store.checks import check_readings
from service.store.columns import ReadingColumns
from service.store.model import Reading
from service.store.transfer.csv_mapping import CsvMapping
from service.store.transfer.times import TimeReader


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


class Block(NamedTuple):
    """Rows that are all in order.

    Attributes:
        readings: in canonical units, in the order of the rows.
        flagged: as in ``Row``, the same for all.
    """

    readings: ReadingColumns
    flagged: bool = False


class RowReader(ABC):
    """Reads the rows under one header, in their order.

    Attributes:
        readings_per_row: how many a row has at most.
    """

    readings_per_row = 1

    def __init__(self, mapping: CsvMapping, times: TimeReader, time_at: int, width: int) -> None:
        self._mapping = mapping
        self._times = times
        self._time_at = time_at
        self._width = width

    @abstractmethod
    def read(self, row: Sequence[str], line: int) -> Row:
        """The readings of one row, and what is wrong with it."""

    @abstractmethod
    def _of_columns(
        self, columns: Sequence[Sequence[str]], times_us: npt.NDArray[np.int64]
    ) -> Block:
        """The readings of whole columns.

        Raises:
            ValueError, LittoralError: a cell is not in order.
        """

    def read_all(self, columns: Sequence[Sequence[str]] | None) -> Block | None:
        """The readings of rows; None where one is not in order: then read them one by one.

        Args:
            columns: their cells; None where not all rows have as many.
        """
        if columns is None or len(columns) != self._width:
            return None
        undo = self._times.position
        try:
            block = self._of_columns(columns, self._times.read_all(columns[self._time_at]))
            check_readings(block.readings)
        except (ValueError, LittoralError):
            self._times.position = undo
            return None
        return block

    def _numbers(self, cells: Sequence[str]) -> npt.NDArray[np.float64]:
        number = self._number if self._mapping.decimal_comma else float
        numbers = np.fromiter(map(number, cells), np.float64, len(cells))
        if not np.isfinite(numbers).all():
            raise ValueError("value is not finite")
        return numbers

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
