"""The InfluxQL that the store asks, and the answers as arrays.

Only what InfluxDB 1.x, 2.x and 3.x have in common: ``/query``, plain conditions, the six
aggregates, ``GROUP BY time``.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store.buckets import empty_buckets
from service.store.lines import MEASUREMENT, key_of_tags, tag_of_name
from service.store.reading import Buckets, Flag, Reading, Samples, SeriesKey

_BY_SERIES = 'GROUP BY "tank", "quantity", "sensor"'
# Each is computed in a pass of its own over what is there at that moment: while readings arrive,
# sum and count may differ by one, and their quotient be wrong. So the mean is asked for itself.
_AGGREGATES = ("count", "mean", "min", "max", "first", "last")


def text_literal(text: str) -> str:
    """A string literal."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def identifier(name: str) -> str:
    """A quoted identifier."""
    return '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'


def of_series(key: SeriesKey) -> str:
    """The condition that selects one series."""
    return " AND ".join(
        f'"{name}" = {text_literal(tag_of_name(getattr(key, name)))}'
        for name in ("tank", "quantity", "sensor")
    )


def of_tank(tank: str) -> str:
    """The condition that selects one tank's series."""
    return f'"tank" = {text_literal(tag_of_name(tank))}'


def within(start_us: int, end_us: int) -> str:
    """The condition that selects a half-open span of time."""
    return f"time >= {start_us}u AND time < {end_us}u"


def read(condition: str, *, flagged: bool) -> str:
    """Time, value, flags and raw of the readings that meet a condition, by time."""
    usable = "" if flagged else ' AND "usable" = true'
    return f'SELECT "value", "flags", "raw" FROM "{MEASUREMENT}" WHERE {condition}{usable}'


def newest(condition: str | None, *, flagged: bool) -> str:
    """The newest readings of each series that meet a condition: a few, see ``_complete``."""
    conditions = [condition] if condition else []
    if not flagged:
        conditions.append('"usable" = true')
    where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
    return (
        f'SELECT "value", "flags", "raw" FROM "{MEASUREMENT}"{where} '
        f"{_BY_SERIES} ORDER BY time DESC LIMIT 3"
    )


def oldest_time(condition: str) -> str:
    """The first reading that meets a condition."""
    return f'SELECT "value" FROM "{MEASUREMENT}" WHERE {condition} ORDER BY time ASC LIMIT 1'


def count(condition: str) -> str:
    """How many readings meet a condition."""
    return f'SELECT count("value") FROM "{MEASUREMENT}" WHERE {condition}'


def aggregate(condition: str, every_us: int) -> str:
    """The six aggregates of usable readings in spans aligned to 1970-01-01 UTC."""
    wanted = ", ".join(f'{name}("value") AS "{name}"' for name in _AGGREGATES)
    return (
        f'SELECT {wanted} FROM "{MEASUREMENT}" WHERE {condition} AND "usable" = true '
        f"GROUP BY time({every_us}u) fill(none)"
    )


def delete(condition: str) -> str:
    """Delete the readings that meet a condition."""
    return f'DELETE FROM "{MEASUREMENT}" WHERE {condition}'


def series_of(answers: Iterable[bytes]) -> Iterator[dict[str, Any]]:
    """The series of a chunked answer, piece by piece.

    Args:
        answers: its lines, one JSON document each.

    Raises:
        StoreRefusedError: the server could not do what was asked.
        StoreUnavailableError: the answer ended early or is no JSON.
    """
    for line in answers:
        if not line:
            continue
        try:
            document = json.loads(line)
        except ValueError as error:
            raise StoreUnavailableError("the answer of InfluxDB is not complete") from error
        for result in (document, *document.get("results", ())):
            if "error" in result:
                raise StoreRefusedError(f"InfluxDB cannot answer: {result['error']}")
            yield from result.get("series", ())


def samples(series: Iterable[dict[str, Any]], *, raw: bool) -> Samples:
    """Samples of the answer to ``read``."""
    times, values, flags, raws = [], [], [], []
    for piece in series:
        columns = tuple(zip(*filter(_complete, piece["values"]), strict=True))
        if not columns:
            continue
        times.append(np.array(columns[0], np.int64))
        values.append(np.array(columns[1], np.float64))
        flags.append(np.array(columns[2], np.int32))
        sent = np.array(columns[3], np.float64)
        raws.append(np.where(sent == values[-1], np.nan, sent))
    if not times:
        return Samples.empty()
    samples = Samples(np.concatenate(times), np.concatenate(values), np.concatenate(flags))
    return replace(samples, raw=np.concatenate(raws)) if raw else samples


def _complete(row: list[Any]) -> bool:
    """Whether all fields are there: while a batch is being written, some may not be yet."""
    return None not in row


def buckets(series: Iterable[dict[str, Any]], every_us: int) -> Buckets:
    """Buckets of the answer to ``aggregate``."""
    rows = [row for piece in series for row in piece["values"] if _complete(row)]
    if not rows:
        return empty_buckets(every_us)
    columns = zip(*rows, strict=True)
    start, count = (np.array(next(columns), np.int64) for _ in range(2))
    mean, low, high, first, last = (np.array(column, np.float64) for column in columns)
    return Buckets(start, every_us, count, mean * count, low, high, first, last)


def newest_readings(series: Iterable[dict[str, Any]]) -> list[Reading]:
    """The newest reading of each series in the answer to ``newest``, sorted by series."""
    found = []
    for piece in series:
        key = key_of_tags(piece["tags"])
        for time_us, value, flags, raw in filter(_complete, piece["values"]):
            number = float(value)
            # Each line carries a raw number, so that a rewrite replaces it; equal means none.
            sent = None if float(raw) == number else float(raw)
            found.append(
                Reading(key.tank, key.quantity, key.sensor, time_us, number, Flag(int(flags)), sent)
            )
            break
    return sorted(found, key=lambda reading: reading.key)
