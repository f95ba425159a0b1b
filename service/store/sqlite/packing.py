"""Packs the readings of one series and hour into few bytes, and back, bit for bit.

A column is stored as differences of whole numbers, as narrow as they allow, where its numbers are
decimals of a few digits (25.31), as what sensors send; else as the 64-bit numbers themselves. All
columns together are compressed (zlib, RFC 1950, whose checksum finds what was damaged).
"""

from __future__ import annotations

import sqlite3
import struct
import zlib
from typing import Final

import numpy as np
import numpy.typing as npt

from service.store.model import Samples

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

_VERSION: Final = 1
#: Forms of a column: up to ``_MOST_DIGITS`` decimals of whole numbers, or one of these.
_MOST_DIGITS: Final = 6
_ABSENT: Final = 254
_FLOATS: Final = 255
#: Units of time, as powers of ten of a microsecond.
_TIME_DIGITS: Final = (6, 3, 0)
_COLUMNS: Final = 4
_NEVER_ABSENT: Final = 2
"""Times and values are always there, each at least a byte for a reading after the first."""
_MOST_READINGS: Final = 3_600_000_000
"""An hour has so many microseconds, and no series two readings of one time."""
_EXACT: Final = 2.0**53
_WIDTHS: Final = tuple(np.dtype(f"<i{width}") for width in (1, 2, 4, 8))
_WHOLE: Final = struct.Struct("<BBq")  # form, width of a difference, first number


class UnpackError(ValueError):
    """The bytes are not what ``pack`` made."""


def damage(what: str, hour: int, fault: Exception) -> sqlite3.DatabaseError:
    """The error of a packed hour that cannot be unpacked: damage of the file as SQLite finds it."""
    start = np.datetime64(hour, "h")
    error = sqlite3.DatabaseError(f"packed {what} of the hour from {start} UTC: {fault}")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def pack(samples: Samples, start_us: int) -> bytes:
    """Pack readings.

    Args:
        samples: sorted by time, at least one, with the numbers before calibration.
        start_us: start of their hour.
    """
    assert samples.raw is not None
    columns = (
        _packed_times(samples.time_us - start_us),
        _packed_values(samples.value),
        _packed_whole(0, samples.flags.astype(np.int64)) if samples.flags.any() else _absent(),
        _absent() if np.isnan(samples.raw).all() else _packed_values(samples.raw),
    )
    return zlib.compress(bytes([_VERSION]) + b"".join(columns))


def unpack(body: bytes, start_us: int, count: int) -> Samples:
    """Readings that ``pack`` has packed.

    Raises:
        UnpackError: the bytes are damaged.
    """
    plain = _decompressed(body, count)
    if plain[:1] != bytes([_VERSION]):
        raise UnpackError(f"packed in form {plain[:1].hex()}; allowed: {_VERSION}")
    at = 1
    form, times, at = _column(plain, at, count)
    if form not in _TIME_DIGITS:
        raise UnpackError(f"times in form {form}; allowed: {_TIME_DIGITS}")
    time_us = start_us + times.astype(np.int64) * 10**form
    value, at = _values(plain, at, count)
    form, flags, at = _column(plain, at, count)
    form, raw, at = _decimal(*_column(plain, at, count))
    if at != len(plain):
        raise UnpackError(f"holds {len(plain)} bytes; allowed for {count} readings: {at}")
    return Samples(
        time_us,
        value,
        flags.astype(np.int32),
        np.full(count, np.nan) if form == _ABSENT else raw,
    )


def _decompressed(body: bytes, count: int) -> bytes:
    """The columns as they were before compression, no more than so many readings can take.

    So neither a count nor a body that is wrong takes memory that the other does not warrant.
    """
    if not isinstance(count, int) or not 0 < count <= _MOST_READINGS:
        raise UnpackError(f"holds {count} readings; allowed: 1 to {_MOST_READINGS}")
    unpacker = zlib.decompressobj()
    most = 1 + _COLUMNS * (_WHOLE.size + 8 * count)
    try:
        plain = unpacker.decompress(body, most)
    except (zlib.error, TypeError) as error:
        raise UnpackError(str(error)) from error
    if not unpacker.eof:
        raise UnpackError(f"is cut short, or holds more than {count} readings can take")
    if len(plain) < _NEVER_ABSENT * (count - 1):
        raise UnpackError(f"holds {len(plain)} bytes, too few for {count} readings")
    return plain


def _absent() -> bytes:
    return bytes([_ABSENT])


def _packed_times(offset_us: IntArray) -> bytes:
    digits = next(n for n in _TIME_DIGITS if not (offset_us % 10**n).any())
    return _packed_whole(digits, offset_us // 10**digits)


def _packed_values(value: FloatArray) -> bytes:
    bits = value.view(np.int64)
    for digits in range(_MOST_DIGITS + 1):
        with np.errstate(over="ignore"):
            scaled = np.rint(value * 10.0**digits)
        if not (np.abs(scaled) < _EXACT).all():  # also where one is none
            break
        whole = scaled.astype(np.int64)
        # As it will be unpacked; compared bit for bit, as -0.0 equals 0.0.
        if np.array_equal((whole / 10.0**digits).view(np.int64), bits):
            return _packed_whole(digits, whole)
    return bytes([_FLOATS]) + value.astype("<f8").tobytes()


def _packed_whole(form: int, numbers: IntArray) -> bytes:
    steps = np.diff(numbers)
    low, high = (int(steps.min()), int(steps.max())) if len(steps) else (0, 0)
    width = next(w for w in _WIDTHS if np.iinfo(w).min <= low and high <= np.iinfo(w).max)
    return _WHOLE.pack(form, width.itemsize, int(numbers[0])) + steps.astype(width).tobytes()


def _values(plain: bytes, at: int, count: int) -> tuple[FloatArray, int]:
    _, value, at = _decimal(*_column(plain, at, count))
    return value, at


def _decimal(form: int, column: IntArray | FloatArray, at: int) -> tuple[int, FloatArray, int]:
    """A column of whole numbers as the decimals that they stand for."""
    return form, column / 10.0**form if form <= _MOST_DIGITS else column.astype(np.float64), at


def _column(plain: bytes, at: int, count: int) -> tuple[int, IntArray | FloatArray, int]:
    """Form and numbers of the column that begins somewhere, and where the next one does."""
    try:
        form = plain[at]
        if form == _ABSENT:
            return form, np.zeros(count, np.int64), at + 1
        if form == _FLOATS:
            return form, np.frombuffer(plain, "<f8", count, at + 1), at + 1 + 8 * count
        _, width, first = _WHOLE.unpack_from(plain, at)
        numbers = np.empty(count, np.int64)
        numbers[0] = first
        at += _WHOLE.size
        numbers[1:] = np.frombuffer(plain, f"<i{width}", count - 1, at)
        return form, np.cumsum(numbers), at + width * (count - 1)
    except (IndexError, ValueError, TypeError, struct.error) as error:
        raise UnpackError(str(error)) from error
