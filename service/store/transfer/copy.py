"""Copying readings from store to store, and proving that the copy is the same."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.store.interface import Store
from service.store.model import Samples, SeriesKey
from service.store.transfer.export import CHUNK_US, chunks, readings_of


@dataclass(frozen=True, slots=True)
class Verified:
    """One series compared in two stores.

    Attributes:
        count, other_count: readings there and here.
        checksum, other_checksum: SHA-256 of times and flags, and of values and raw numbers
            where both stores store them bit for bit.
        largest_error: largest relative difference of a value or raw number.
        allowed_error: what the stores promise.
    """

    key: SeriesKey
    count: int
    other_count: int
    checksum: str
    other_checksum: str
    largest_error: float
    allowed_error: float

    @property
    def same(self) -> bool:
        """Whether the copy is the same as far as the two stores can store it."""
        return (
            self.count == self.other_count
            and self.checksum == self.other_checksum
            and self.largest_error <= self.allowed_error
        )


def copy(
    source: Store,
    target: Store,
    keys: Iterable[SeriesKey],
    *,
    start_us: int | None = None,
    end_us: int | None = None,
    on_progress: Callable[[float], None] = lambda share: None,
) -> int:
    """Copy series, flagged readings too; again is harmless. Returns the number of readings."""
    count = 0
    for key, samples in chunks(source, keys, start_us, end_us, on_progress=on_progress):
        target.write(readings_of(key, samples))
        count += len(samples)
    return count


def verify(
    source: Store,
    target: Store,
    key: SeriesKey,
    *,
    start_us: int | None = None,
    end_us: int | None = None,
) -> Verified:
    """Compare one series in two stores, over the span in which the source has readings.

    Ask a target that was opened after the copy, and ``visible_after_s`` later: then the server
    answers, not what this process remembers.
    """
    resolution_us = max(source.time_resolution_us, target.time_resolution_us)
    allowed = source.value_tolerance + target.value_tolerance
    extent = source.extent(key)
    sums = (hashlib.sha256(), hashlib.sha256())
    counts, largest = [0, 0], 0.0
    if extent is not None:
        first = extent.first_us if start_us is None else max(start_us, extent.first_us)
        first = first // resolution_us * resolution_us
        end = extent.last_us + 1 if end_us is None else min(end_us, extent.last_us + 1)
        for low in range(first, end, CHUNK_US):
            high = min(low + CHUNK_US, end)
            pair = [
                thinned(store.read(key, low, high, flagged=True, raw=True), resolution_us)
                for store in (source, target)
            ]
            for at, samples in enumerate(pair):
                counts[at] += len(samples)
                sums[at].update((samples.time_us // resolution_us).tobytes())
                sums[at].update(samples.flags.tobytes())
                if allowed == 0:
                    sums[at].update(samples.value.tobytes())
                    sums[at].update(_raw(samples).tobytes())
            largest = max(largest, _largest_error(*pair))
    return Verified(
        key, counts[0], counts[1], sums[0].hexdigest(), sums[1].hexdigest(), largest, allowed
    )


def _raw(samples: Samples) -> npt.NDArray[np.float64]:
    """The raw numbers, with one kind of NaN; one that equals its value counts as none."""
    raw = np.full(len(samples), np.nan) if samples.raw is None else samples.raw
    return np.where((raw == samples.value) | np.isnan(raw), np.nan, raw)


def thinned(samples: Samples, resolution_us: int) -> Samples:
    """Of readings that fall together at a coarser resolution, the last: it replaced the others."""
    units = samples.time_us // resolution_us
    last = np.append(np.diff(units) > 0, True)[: len(units)]
    raw = None if samples.raw is None else samples.raw[last]
    return Samples(samples.time_us[last], samples.value[last], samples.flags[last], raw)


def _largest_error(one: Samples, other: Samples) -> float:
    if len(one) != len(other) or len(one) == 0:
        return 0.0 if len(one) == len(other) else float("inf")
    errors = []
    for a, b in ((one.value, other.value), (_raw(one), _raw(other))):
        if not np.array_equal(np.isnan(a), np.isnan(b)):
            return float("inf")
        scale = np.maximum(np.abs(a), 1e-300)
        difference = np.abs(a - b) / scale
        errors.append(float(np.nanmax(difference)) if not np.all(np.isnan(difference)) else 0.0)
    return max(errors)
