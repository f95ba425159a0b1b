"""Aggregates of samples over equal spans of time, and of aggregates over longer spans."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from service.science.numeric.sets import among
from service.store.model import Buckets, Samples

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


_COLUMNS = ("start_us", "count", "sum", "min", "max", "first", "last")


def aligned_span(start_us: int, end_us: int, every_us: int) -> tuple[int, int]:
    """The span with its start rounded down and its end up to multiples of ``every_us``."""
    return start_us // every_us * every_us, -(-end_us // every_us) * every_us


def empty_buckets(every_us: int) -> Buckets:
    """No spans of a length."""
    ints, floats = np.empty(0, np.int64), np.empty(0, np.float64)
    return Buckets(ints, every_us, ints, floats, floats, floats, floats, floats)


def buckets_of_samples(samples: Samples, every_us: int) -> Buckets:
    """Aggregate sorted samples over spans aligned to 1970-01-01 UTC.

    Args:
        samples: sorted by time; all of them count.
        every_us: length of a span, microseconds.
    """
    value = samples.value
    count = np.ones(len(samples), np.int64)
    return _grouped(samples.time_us, every_us, count, value, value, value, value, value)


def coarser_buckets(fine: Buckets, every_us: int) -> Buckets:
    """Merge buckets into longer spans.

    Args:
        fine: sorted by start.
        every_us: length of the new spans, a multiple of ``fine.every_us``.
    """
    if every_us == fine.every_us:
        return fine
    return _grouped(
        fine.start_us, every_us, fine.count, fine.sum, fine.min, fine.max, fine.first, fine.last
    )


def joined_buckets(earlier: Buckets, later: Buckets, every_us: int) -> Buckets:
    """Merge buckets of two stretches into longer spans; one span may have parts of both.

    Args:
        earlier, later: sorted by start, of the same length of span; one after the other.
        every_us: length of the new spans, a multiple of theirs.
    """
    both = concatenated_buckets((earlier, later))
    return _grouped(
        both.start_us, every_us, both.count, both.sum, both.min, both.max, both.first, both.last
    )


def concatenated_buckets(parts: Sequence[Buckets]) -> Buckets:
    """Buckets of stretches that follow one another, at least one, of the same length of span."""
    columns = {name: np.concatenate([getattr(one, name) for one in parts]) for name in _COLUMNS}
    return Buckets(every_us=parts[0].every_us, **columns)


def sorted_buckets(parts: Sequence[Buckets]) -> Buckets:
    """Buckets of stretches in any order, at least one, of the same length of span."""
    both = concatenated_buckets(parts)
    return _taken(both, np.argsort(both.start_us))


def replaced_buckets(buckets: Buckets, spans_us: IntArray, by: Sequence[Buckets]) -> Buckets:
    """Buckets with those of some spans taken out and others put in.

    Args:
        spans_us: starts of the spans to take out.
        by: what to put in, of the same length of span.
    """
    if len(spans_us) == 0:
        return buckets
    return sorted_buckets((_taken(buckets, ~among(buckets.start_us, spans_us)), *by))


def _taken(buckets: Buckets, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> Buckets:
    columns = {name: getattr(buckets, name)[which] for name in _COLUMNS}
    return Buckets(every_us=buckets.every_us, **columns)


def _grouped(
    time_us: IntArray,
    every_us: int,
    count: IntArray,
    total: FloatArray,
    low: FloatArray,
    high: FloatArray,
    first: FloatArray,
    last: FloatArray,
) -> Buckets:
    if len(time_us) == 0:
        return empty_buckets(every_us)
    span = time_us // every_us
    head = np.concatenate(([0], np.flatnonzero(np.diff(span)) + 1))
    tail = np.concatenate((head[1:], [len(span)])) - 1
    return Buckets(
        start_us=span[head] * every_us,
        every_us=every_us,
        count=np.add.reduceat(count, head),
        sum=np.add.reduceat(total, head),
        min=_reduced(np.minimum, low, head),
        max=_reduced(np.maximum, high, head),
        first=first[head],
        last=last[tail],
    )


def _reduced(by: np.ufunc, column: FloatArray, head: npt.NDArray[np.intp]) -> FloatArray:
    """The lowest or highest number of each span; NaN where the column was not asked for.

    Such a column is NaN throughout, which numpy takes five times as long to compare.
    """
    if np.isnan(column[0]):
        return np.full(len(head), np.nan)
    found: FloatArray = by.reduceat(column, head)
    return found
