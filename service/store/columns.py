"""A batch of readings as columns: one array each for times, values, flags and raw numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import repeat
from operator import attrgetter
from typing import overload

import numpy as np
import numpy.typing as npt

from service.store.model import Flag, Reading, SeriesKey


@dataclass(frozen=True, slots=True, eq=False)
class ReadingColumns(Sequence[Reading]):
    """Readings in an order of their own, such as that of a file; as a sequence, one by one.

    Attributes:
        keys: the series that occur, each once.
        series: intp, for each reading the index of its series in ``keys``.
        time_us: int64, microseconds since 1970-01-01 UTC.
        value: float64, canonical units.
        flags: int32, bits of ``Flag``.
        raw: float64, the numbers before calibration, NaN where there is none; None: nowhere.
    """

    keys: tuple[SeriesKey, ...]
    series: npt.NDArray[np.intp]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.int32]
    raw: npt.NDArray[np.float64] | None = None

    @classmethod
    def of(cls, readings: Sequence[Reading]) -> ReadingColumns:
        """The same readings as columns."""
        indices: dict[tuple[str, str, str], int] = {}
        names = map(attrgetter("tank", "quantity", "sensor"), readings)
        series = [indices.setdefault(one, len(indices)) for one in names]
        raw = None
        if any(one.raw is not None for one in readings):
            raw = np.array([math.nan if one.raw is None else one.raw for one in readings])
        return cls(
            tuple(SeriesKey(*names) for names in indices),
            np.array(series, np.intp),
            np.array([one.time_us for one in readings], np.int64),
            np.array([one.value for one in readings], np.float64),
            np.array([one.flags for one in readings], np.int32),
            raw,
        )

    @classmethod
    def joined(cls, parts: Iterable[ReadingColumns]) -> ReadingColumns:
        """The readings of several batches, one batch after the other."""
        parts = [part for part in parts if len(part)]
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls.of(())
        indices: dict[SeriesKey, int] = {}
        series = []
        for part in parts:
            places = [indices.setdefault(key, len(indices)) for key in part.keys]
            series.append(np.array(places, np.intp)[part.series])
        raw = None
        if any(part.raw is not None for part in parts):
            raw = np.concatenate(
                [np.full(len(part), np.nan) if part.raw is None else part.raw for part in parts]
            )
        return cls(
            tuple(indices),
            np.concatenate(series),
            np.concatenate([part.time_us for part in parts]),
            np.concatenate([part.value for part in parts]),
            np.concatenate([part.flags for part in parts]),
            raw,
        )

    def by_series(self) -> Iterator[tuple[SeriesKey, npt.NDArray[np.intp]]]:
        """Each series with the places of its readings, in their order."""
        if len(self.keys) == 1:
            yield self.keys[0], np.arange(len(self))
            return
        order = np.argsort(self.series, kind="stable")
        ends = np.cumsum(np.bincount(self.series, minlength=len(self.keys))).tolist()
        for key, begin, end in zip(self.keys, [0, *ends], ends, strict=False):
            if end > begin:
                yield key, order[begin:end]

    def __len__(self) -> int:
        return len(self.time_us)

    @overload
    def __getitem__(self, index: int) -> Reading: ...

    @overload
    def __getitem__(self, index: slice | npt.NDArray[np.intp]) -> ReadingColumns: ...

    def __getitem__(self, index: int | slice | npt.NDArray[np.intp]) -> Reading | ReadingColumns:
        if isinstance(index, slice | np.ndarray):
            raw = None if self.raw is None else self.raw[index]
            columns = (self.time_us[index], self.value[index], self.flags[index], raw)
            return ReadingColumns(self.keys, self.series[index], *columns)
        key = self.keys[self.series[index]]
        raw_number = math.nan if self.raw is None else float(self.raw[index])
        return Reading(
            key.tank,
            key.quantity,
            key.sensor,
            int(self.time_us[index]),
            float(self.value[index]),
            Flag(int(self.flags[index])),
            None if math.isnan(raw_number) else raw_number,
        )

    def __iter__(self) -> Iterator[Reading]:
        names = [(key.tank, key.quantity, key.sensor) for key in self.keys]
        columns = (self.series, self.time_us, self.value, self.flags)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        raws = repeat(math.nan) if self.raw is None else self.raw.tolist()
        for (series, time_us, value, flags), raw in zip(rows, raws, strict=False):
            sent = None if math.isnan(raw) else raw
            tank, quantity, sensor = names[series]
            yield Reading(tank, quantity, sensor, time_us, value, _flag(flags), sent)


@lru_cache(maxsize=1024)
def _flag(bits: int) -> Flag:
    return Flag(bits)  # which takes as long as all the rest of a reading
