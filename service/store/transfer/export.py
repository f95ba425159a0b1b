"""Exporting readings: CSV, line protocol, Parquet."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Final, TextIO

import numpy as np

from service.errors import InvalidInputError
from service.quantities import QUANTITIES
from service.store.interface import Store
from service.store.line_protocol import line_of
from service.store.model import Flag, Reading, Samples, SeriesKey

#: Read at once: a week of one series.
CHUNK_US: Final = 7 * 86_400_000_000
HEADER: Final = ("time", "tank", "quantity", "sensor", "value", "unit", "flags", "raw")

Chunk = tuple[SeriesKey, Samples]


def chunks(
    store: Store,
    keys: Iterable[SeriesKey],
    start_us: int | None,
    end_us: int | None,
    *,
    on_progress: Callable[[float], None] = lambda share: None,
) -> Iterator[Chunk]:
    """All readings of some series, flagged ones too, a week at a time, each series by time.

    Args:
        start_us, end_us: half-open span; None: from the first, to the last.
        on_progress: called with the share done, 0 to 1.
    """
    chosen = list(keys)
    for number, key in enumerate(chosen):
        extent = store.extent(key)
        if extent is not None:
            first = extent.first_us if start_us is None else max(start_us, extent.first_us)
            end = extent.last_us + 1 if end_us is None else min(end_us, extent.last_us + 1)
            for low in range(first, end, CHUNK_US):
                samples = store.read(key, low, min(low + CHUNK_US, end), flagged=True, raw=True)
                if len(samples):
                    yield key, samples
                on_progress((number + (low - first) / (end - first)) / len(chosen))
        on_progress((number + 1) / len(chosen))


def readings_of(key: SeriesKey, samples: Samples) -> list[Reading]:
    """Samples, read with their raw numbers, as readings."""
    raw = np.full(len(samples), np.nan) if samples.raw is None else samples.raw
    return [
        Reading(
            key.tank, key.quantity, key.sensor, time_us, value, Flag(flags),
            None if sent != sent else sent,
        )
        for time_us, value, flags, sent in zip(
            samples.time_us.tolist(), samples.value.tolist(), samples.flags.tolist(),
            raw.tolist(), strict=True,
        )
    ]  # fmt: skip


def unit_of(quantity: str) -> str:
    """The UCUM code of a quantity's canonical unit; empty for an unknown quantity."""
    known = QUANTITIES.get(quantity)
    return "" if known is None else known.ucum


def write_csv(out: TextIO, data: Iterable[Chunk]) -> int:
    """Write the CSV that ``littoral import`` reads; returns the number of readings."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    count = 0
    for key, samples in data:
        times = np.datetime_as_string(samples.time_us.astype("datetime64[us]"), unit="us")
        texts = (f"{time.removesuffix('.000000')}Z" for time in times.tolist())
        unit = unit_of(key.quantity)
        raw = np.full(len(samples), np.nan) if samples.raw is None else samples.raw
        columns = (texts, samples.value.tolist(), samples.flags.tolist(), raw.tolist())
        writer.writerows(
            (time, key.tank, key.quantity, key.sensor, repr(value), unit, flags,
             "" if sent != sent else repr(sent))
            for time, value, flags, sent in zip(*columns, strict=True)
        )  # fmt: skip
        count += len(samples)
    return count


def write_lines(out: TextIO, data: Iterable[Chunk]) -> int:
    """Write InfluxDB line protocol, times in nanoseconds; returns the number of readings."""
    count = 0
    for key, samples in data:
        out.writelines(f"{line_of(reading)}\n" for reading in readings_of(key, samples))
        count += len(samples)
    return count


def write_parquet(path: Path, data: Iterable[Chunk]) -> int:
    """Write a Parquet file; returns the number of readings.

    Raises:
        InvalidInputError: pyarrow is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise InvalidInputError.of_field(
            "format", "parquet", "csv or line, or pip install 'littoral[parquet]'"
        ) from error
    schema = pyarrow.schema(
        [
            ("time", pyarrow.timestamp("us", tz="UTC")),
            *((name, pyarrow.string()) for name in ("tank", "quantity", "sensor")),
            ("value", pyarrow.float64()),
            ("unit", pyarrow.string()),
            ("flags", pyarrow.int32()),
            ("raw", pyarrow.float64()),
        ]
    )
    count = 0
    writer: Any
    with pyarrow.parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        for key, samples in data:
            size = len(samples)
            raw = np.full(size, np.nan) if samples.raw is None else samples.raw
            names = [np.full(size, text) for text in (key.tank, key.quantity, key.sensor)]
            unit = np.full(size, unit_of(key.quantity))
            arrays = [samples.time_us, *names, samples.value, unit, samples.flags]
            columns = [pyarrow.array(a, field.type) for a, field in zip(arrays, schema)]  # noqa: B905
            columns.append(pyarrow.array(raw, schema.field("raw").type, from_pandas=True))
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))
            count += size
    return count
