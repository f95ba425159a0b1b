"""What VictoriaMetrics holds of a series, as arrays, and which of several versions counts.

The server keeps all values written for one time and answers with any of them. So a value that
replaces another is written with a higher ``revision`` label, and the highest one counts here.
Usable and doubtful readings are metrics of their own, so that the server can aggregate the usable
ones alone; flags and raw numbers are further metrics, written only where they say something.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.errors import StoreUnavailableError
from service.store.line_protocol import MEASUREMENT, key_of_tags
from service.store.model import NOT_USABLE, Flag, Reading, Samples, SeriesKey

VALUE: Final = f"{MEASUREMENT}_value"
DOUBTFUL: Final = f"{MEASUREMENT}_doubtful"
FLAGS: Final = f"{MEASUREMENT}_flags"
RAW: Final = f"{MEASUREMENT}_raw"

#: The server stores decimal numbers: relative error seen up to 1e-12.
VALUE_TOLERANCE: Final = 1e-11

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class History:
    """One reading for each time, sorted by time.

    Attributes:
        time_ms, revision: int64. ``revision`` is 0 for a reading that was written once.
        value, raw: float64; ``raw`` is NaN where there is none.
        flags: int64, bits of ``Flag``.
    """

    time_ms: IntArray
    revision: IntArray
    value: FloatArray
    flags: IntArray
    raw: FloatArray

    def __len__(self) -> int:
        return len(self.time_ms)

    def samples(self, *, flagged: bool, raw: bool = False) -> Samples:
        """The readings as samples."""
        sent = self.raw if raw else None
        samples = Samples(self.time_ms * 1000, self.value, self.flags.astype(np.int32), sent)
        return samples if flagged else samples.usable()

    def reading(self, key: SeriesKey, at: int) -> Reading:
        """The reading at a position."""
        raw = float(self.raw[at])
        return Reading(
            key.tank,
            key.quantity,
            key.sensor,
            int(self.time_ms[at]) * 1000,
            float(self.value[at]),
            Flag(int(self.flags[at])),
            None if np.isnan(raw) else raw,
        )

    def newest(self, key: SeriesKey, *, flagged: bool) -> Reading | None:
        """The newest reading, or the newest usable one."""
        usable = np.full(len(self), True) if flagged else (self.flags & int(NOT_USABLE)) == 0
        found = np.flatnonzero(usable)
        return None if len(found) == 0 else self.reading(key, int(found[-1]))


def nothing() -> History:
    """No readings."""
    ints, floats = np.empty(0, np.int64), np.empty(0, np.float64)
    return History(ints, ints, floats, ints, floats)


def merged(histories: Iterable[History]) -> History:
    """One history of several; of one time the highest revision counts, of equal ones the last."""
    parts = [history for history in histories if len(history)]
    if not parts:
        return nothing()
    time_ms, revision, value, flags, raw = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("time_ms", "revision", "value", "flags", "raw")
    )
    if len(time_ms) > 1 and not np.all(np.diff(time_ms) > 0):
        order = np.lexsort((revision, time_ms))
        last = np.append(np.diff(time_ms[order]) > 0, True)
        kept = order[last]
        time_ms, revision, value = time_ms[kept], revision[kept], value[kept]
        flags, raw = flags[kept], raw[kept]
    return History(time_ms, revision, value, flags, raw)


class _Pieces:
    """The metrics of one series and one revision, as they come."""

    def __init__(self) -> None:
        self._columns: dict[str, list[tuple[IntArray, FloatArray]]] = defaultdict(list)

    def add(self, name: str, times: IntArray, values: FloatArray) -> None:
        self._columns[name].append((times, values))

    def history(self, revision: int) -> History:
        return merged(self._of(name, revision) for name in (VALUE, DOUBTFUL))

    def _of(self, name: str, revision: int) -> History:
        times, values = self._column(name)
        flags = self._looked_up(FLAGS, times, 0.0).astype(np.int64)
        raw = self._looked_up(RAW, times, np.nan)
        return History(times, np.full(len(times), revision, np.int64), values, flags, raw)

    def _column(self, name: str) -> tuple[IntArray, FloatArray]:
        pieces = self._columns.get(name)
        if not pieces:
            return np.empty(0, np.int64), np.empty(0, np.float64)
        times = np.concatenate([piece[0] for piece in pieces])
        return times, np.concatenate([piece[1] for piece in pieces])

    def _looked_up(self, name: str, times: IntArray, otherwise: float) -> FloatArray:
        known_times, known = self._column(name)
        found = np.full(len(times), otherwise)
        if len(known) and len(times):
            order = np.argsort(known_times, kind="stable")
            known_times, known = known_times[order], known[order]
            at = np.minimum(np.searchsorted(known_times, times), len(known) - 1)
            here = known_times[at] == times
            found[here] = known[at[here]]
        return found


def of_export(lines: Iterable[bytes]) -> dict[SeriesKey, History]:
    """The histories in an answer of ``/api/v1/export``.

    Args:
        lines: of the answer, one JSON document each.

    Raises:
        StoreUnavailableError: the answer ended early.
    """
    series: dict[SeriesKey, dict[int, _Pieces]] = defaultdict(lambda: defaultdict(_Pieces))
    for line in lines:
        if not line:
            continue
        try:
            document = json.loads(line)
        except ValueError as error:
            raise StoreUnavailableError("the answer of VictoriaMetrics is not complete") from error
        metric = document["metric"]
        revision = int(metric.get("revision", 0))
        series[key_of_tags(metric)][revision].add(
            metric["__name__"],
            np.array(document["timestamps"], np.int64),
            np.array(document["values"], np.float64),
        )
    return {
        key: merged(pieces.history(revision) for revision, pieces in sorted(revisions.items()))
        for key, revisions in series.items()
    }
