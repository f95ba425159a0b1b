"""The last values of many series, so many of each, side by side in one array.

An object for each value of each of 10,000 series takes several times the memory of the numbers.
"""

from __future__ import annotations

import math
from array import array
from typing import Generic, Literal, TypeVar

T = TypeVar("T", int, float)


class Windows(Generic[T]):
    """The last ``length`` values of each series; a slot is the number of a series here."""

    __slots__ = ("_at", "_length", "_row", "_typecode", "_values")

    def __init__(self, typecode: Literal["q", "d"], length: int) -> None:
        """Start without slots.

        Args:
            typecode: of ``array``: integers or floats of 64 bits.
            length: at most 127.
        """
        self._typecode = typecode
        self._length = length
        self._row = bytes(8 * length)
        self._values: array[T] = array(typecode)
        #: Up to the length: how many values there are. From there on: that and the place of the
        #: oldest one, which is the next to be replaced.
        self._at = bytearray()

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        self._values.frombytes(self._row * count)
        self._at += bytes(count)

    def clear(self, slot: int) -> None:
        """Forget the values of a series."""
        self._at[slot] = 0

    def append(self, slot: int, value: T) -> None:
        """Add a value; of as many as there is room for the oldest goes."""
        at, length = self._at[slot], self._length
        if at < length:
            self._values[slot * length + at] = value
            self._at[slot] = at + 1
        else:
            self._values[(slot - 1) * length + at] = value
            self._at[slot] = at + 1 if at + 1 < 2 * length else length

    def replace_last(self, slot: int, value: T) -> None:
        """Replace the newest value, which there has to be."""
        at, length = self._at[slot], self._length
        self._values[slot * length + (at if at <= length else at - length) - 1] = value

    def extend(self, slot: int, values: array[T]) -> None:
        """Add values, the newest last."""
        length = self._length
        if len(values) < length:
            values = self.of(slot) + values
        self.replace(slot, values[-length:])

    def replace(self, slot: int, values: array[T]) -> None:
        """Have these values, no more than there is room for, and no others."""
        begin = slot * self._length
        self._values[begin : begin + len(values)] = values
        self._at[slot] = len(values)

    def last(self, slot: int, least: int = 1) -> T | float:
        """The newest value; NaN where there are fewer than so many."""
        at, length = self._at[slot], self._length
        if at < least:
            return math.nan
        return self._values[slot * length + (at if at <= length else at - length) - 1]

    def of(self, slot: int) -> array[T]:
        """The values of a series, the oldest first."""
        at, length = self._at[slot], self._length
        values, begin = self._values, slot * length
        if at <= length:
            return values[begin : begin + at]
        oldest = begin + at - length
        return values[oldest : begin + length] + values[begin:oldest]
