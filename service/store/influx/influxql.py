"""The InfluxQL that the store asks, and the answers as arrays.

Only what InfluxDB 1.x, 2.x and 3.x have in common: ``/query``, plain conditions, the six
aggregates, ``GROUP BY time``.
"""

from __future__ import annotations

import json
import math
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from typing import Any

import numpy as np

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store.line_protocol import HAS_RAW, MEASUREMENT, key_of_tags, tag_of_name
from service.store.model import (
    AGGREGATES,
    NOT_USABLE,
    Aggregate,
    Buckets,
    Flag,
    Reading,
    Samples,
    SeriesKey,
)

_TAGS = '"tank", "quantity", "sensor"'
_BY_SERIES = f"GROUP BY {_TAGS}"
#: Name and value of a tag in line protocol, where a blank, comma or equals sign is escaped.
_TAG = re.compile(r",(\w+)=((?:\\.|[^,\\])*)")
_ESCAPED = re.compile(r"\\([,= ])")
#: The field is there. InfluxQL has no word for it, and no exponents.
_HAS_VALUE = f'"value" > {-1e30:.1f}'
_UNUSABLE = int(NOT_USABLE)
_FIELDS = '"value", "doubtful", "flags", "raw"'


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


def any_of(conditions: Iterable[str]) -> str:
    """The condition that one of some, at least, is met."""
    return "(" + " OR ".join(f"({one})" for one in conditions) + ")"


def within(start_us: int, end_us: int) -> str:
    """The condition that selects a half-open span of time."""
    return f"time >= {start_us}u AND time < {end_us}u"


def read(condition: str) -> str:
    """Time and fields of the readings that meet a condition, by time."""
    return f'SELECT {_FIELDS} FROM "{MEASUREMENT}" WHERE {condition}'


def newest(condition: str | None, *, flagged: bool) -> str:
    """The newest readings of each series that meet a condition: a few, see ``_complete``."""
    conditions = [condition] if condition else []
    if not flagged:
        conditions.append(_HAS_VALUE)
    where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
    return f'SELECT {_FIELDS} FROM "{MEASUREMENT}"{where} {_BY_SERIES} ORDER BY time DESC LIMIT 3'


def series_held(condition: str | None) -> str:
    """The series that meet a condition, from the index alone; may name some without readings."""
    where = f" WHERE {condition}" if condition else ""
    return f'SHOW SERIES FROM "{MEASUREMENT}"{where}'


def keys_held(series: Iterable[dict[str, Any]]) -> set[SeriesKey]:
    """The series in the answer to ``series_held``, each as line protocol has it."""
    heads = (row[0] for piece in series for row in piece["values"])
    return {
        key_of_tags({name: _plain(value) for name, value in _TAG.findall(head)}) for head in heads
    }


def _plain(text: str) -> str:
    return _ESCAPED.sub(r"\1", text)


def since(start_us: int) -> str:
    """The condition that selects all from a time on."""
    return f"time >= {start_us}u"


def oldest_time(condition: str) -> str:
    """The first reading that meets a condition."""
    return f'SELECT "flags" FROM "{MEASUREMENT}" WHERE {condition} ORDER BY time ASC LIMIT 1'


def count(condition: str) -> str:
    """How many readings meet a condition."""
    return f'SELECT count("flags") FROM "{MEASUREMENT}" WHERE {condition}'


def usable_times(condition: str) -> str:
    """The times at which there is a usable reading that meets a condition."""
    return f'SELECT "value" FROM "{MEASUREMENT}" WHERE {condition}'


def aggregate(condition: str, every_us: int, wanted: Collection[Aggregate]) -> str:
    """Aggregates of usable readings in spans aligned to 1970-01-01 UTC.

    The server computes each in a pass of its own over what is there at that moment: while
    readings arrive, sum and count may differ by one, and their quotient be wrong. So the mean is
    asked for itself.
    """
    columns = ", ".join(f'{name}("value") AS "{name}"' for name in ("count", *wanted))
    return (
        f'SELECT {columns} FROM "{MEASUREMENT}" WHERE {condition} '
        f"GROUP BY time({every_us}u), {_TAGS} fill(none)"
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


def samples(series: Iterable[dict[str, Any]], *, flagged: bool, raw: bool) -> Samples:
    """Samples of the answer to ``read``."""
    parts = []
    for piece in series:
        rows = [row for row in map(_fields, piece["values"]) if row is not None]
        if rows:
            time_us, value, flags, sent = zip(*rows, strict=True)
            parts.append(
                Samples(
                    np.array(time_us, np.int64),
                    np.array(value, np.float64),
                    np.array(flags, np.int32),
                    np.array(sent, np.float64),
                )
            )
    if not parts:
        return Samples.empty()
    whole = Samples(
        np.concatenate([part.time_us for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.flags for part in parts]),
        np.concatenate([part.raw for part in parts if part.raw is not None]) if raw else None,
    )
    return whole if flagged else whole.usable()


def _fields(row: list[Any]) -> tuple[int, float, int, float] | None:
    """Time, value, flags and raw (NaN: none) of a row of ``_FIELDS``.

    None while a reading is being written and not all of its fields are there yet.
    """
    time_us, value, doubtful, flags, raw = row
    if flags is None:
        return None
    flags = int(flags)
    number = doubtful if flags & _UNUSABLE else value
    sent = raw if flags & HAS_RAW else math.nan
    if number is None or sent is None:
        return None
    return time_us, number, flags & ~HAS_RAW, sent


def buckets(
    series: Iterable[dict[str, Any]], every_us: int, wanted: Collection[Aggregate]
) -> dict[SeriesKey, Buckets]:
    """Buckets of each series in the answer to ``aggregate``; those without any are left out."""
    rows: dict[SeriesKey, list[list[Any]]] = defaultdict(list)
    for piece in series:
        # A span whose first reading is being written may lack a column: it comes a moment later.
        rows[key_of_tags(piece["tags"])] += [row for row in piece["values"] if None not in row]
    return {key: _buckets(found, every_us, wanted) for key, found in rows.items() if found}


def _buckets(rows: list[list[Any]], every_us: int, wanted: Collection[Aggregate]) -> Buckets:
    start, count, *columns = zip(*rows, strict=True)
    found = {name: np.full(len(rows), np.nan) for name in AGGREGATES}
    for name, column in zip(wanted, columns, strict=True):
        found[name] = np.array(column, np.float64)
    counts = np.array(count, np.int64)
    return Buckets(
        start_us=np.array(start, np.int64),
        every_us=every_us,
        count=counts,
        sum=found["mean"] * counts,
        min=found["min"],
        max=found["max"],
        first=found["first"],
        last=found["last"],
    )


def newest_readings(series: Iterable[dict[str, Any]]) -> list[Reading]:
    """The newest reading of each series in the answer to ``newest``, sorted by series."""
    found = []
    for piece in series:
        key = key_of_tags(piece["tags"])
        row = next((row for row in map(_fields, piece["values"]) if row is not None), None)
        if row is not None:
            time_us, value, flags, raw = row
            sent = None if math.isnan(raw) else float(raw)
            names = (key.tank, key.quantity, key.sensor)
            found.append(Reading(*names, time_us, float(value), Flag(flags), sent))
    return sorted(found, key=lambda reading: reading.key)
