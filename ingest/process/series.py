"""State of each series, to judge its next reading by: bounded, and read from the store first."""

from __future__ import annotations

import logging
import time
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final, TypeVar

import numpy as np

from ingest.process.quality.agreement import Agreement
from ingest.process.quality.checks import Checks
from ingest.process.quality.limits import LIMITS
from ingest.process.quality.spike import WINDOW
from service.errors import LittoralError
from service.store import NOT_USABLE, Flag, Reading, Samples, SeriesKey

_log = logging.getLogger(__name__)

#: After a silence of this length the last values are no measure for the next, microseconds.
SILENCE_US: Final = 45 * 60 * 1_000_000
#: Device times further apart, and than is usual of the series, leave a gap, microseconds.
JUMP_BACK_US: Final = 120_000_000
_GAP_INTERVALS: Final = 1.5
#: So many gaps of a series are remembered, the last ones. Our choice.
_GAPS: Final = 16
#: How far back the store is read when a series is first seen: the longest ``still_s``.
_HISTORY_US: Final = int(max(limits.still_s for limits in LIMITS.values()) * 1.1e6)
#: How long history is not asked for after the store could not give it, s.
_HISTORY_PAUSE_S: Final = 5.0
_TIME_UNKNOWN: Final = int(Flag.CLOCK | Flag.RETAINED)
_SPIKE, _STUCK = int(Flag.SPIKE), int(Flag.STUCK)
#: Flags that follow from the neighbours; a reading with another that is not usable was not judged.
_DOUBTED: Final = int(Flag.STUCK | Flag.SPIKE)
_NOT_JUDGED: Final = int(NOT_USABLE) & ~_DOUBTED
#: So many of the last readings of the store are judged anew for what comes after them.
_NEIGHBOURS: Final = 128

#: Tank, quantity and sensor.
SeriesName = tuple[str, str, str]
K = TypeVar("K")
V = TypeVar("V")
#: Reads a span of a series from the store, flagged readings too; ``LittoralError`` if it cannot.
History = Callable[[SeriesKey, int, int], Samples]


@dataclass(slots=True)
class SeriesState:
    """State of one series.

    Attributes:
        name: tank, quantity and sensor.
        checks: those of its quantity; they remember its last values.
        slot: its place in their memory.
        agreement: shared by the sensors of one quantity in one tank.
        newest_us: newest device time seen.
        jumped_us: last device time of a clock that jumped back; None: it is right.
        arrived_us: arrival of the last reading whose time it was to be.
        newest_arrival_us: the time that was made of it.
        last_us: time of the last reading that was judged in order.
        seen_us: time of the newest reading that is remembered, flagged or not.
        warm: the store's history is in it.
        gaps_us: begin and end of the last gaps between device times, one after the other; None:
            there is none.
    """

    name: SeriesName
    checks: Checks
    slot: int
    agreement: Agreement | None
    newest_us: int | None = None
    jumped_us: int | None = None
    arrived_us: int = 0
    newest_arrival_us: int = 0
    last_us: int = 0
    seen_us: int = 0
    warm: bool = False
    gaps_us: array[int] | None = None

    def clear(self, agreement: Agreement | None) -> None:
        """Start anew, but the next arrivals stay apart from those before."""
        self.checks.clear(self.slot)
        self.agreement = agreement
        self.newest_us = self.jumped_us = self.gaps_us = None
        self.last_us = self.seen_us = 0
        self.warm = False

    def add_device_time(self, time_us: int) -> None:
        """Remember the device time of a reading."""
        if self.newest_us is None or time_us > self.newest_us:
            if self.newest_us is not None and time_us - self.newest_us > JUMP_BACK_US:
                self._add_gap(self.newest_us, time_us)
            self.newest_us = time_us
        self.checks.recent_us.append(self.slot, time_us)

    def is_recent(self, time_us: int) -> bool:
        """Whether one of its last readings has exactly this device time."""
        return time_us in self.checks.recent_us.of(self.slot)

    def is_in_gap(self, time_us: int) -> bool:
        """Whether nothing was measured around a time, so that a backlog may bring it."""
        if self.gaps_us is None:
            return False
        begins, ends = self.gaps_us[::2], self.gaps_us[1::2]
        return any(begin < time_us < end for begin, end in zip(begins, ends, strict=True))

    def _add_gap(self, begin_us: int, end_us: int) -> None:
        recent = sorted(self.checks.recent_us.of(self.slot))
        usual_us = median([after - before for before, after in pairwise(recent)] or [0])
        if end_us - begin_us > _GAP_INTERVALS * usual_us:
            if self.gaps_us is None:
                self.gaps_us = array("q")
            self.gaps_us.extend((begin_us, end_us))
            del self.gaps_us[: -2 * _GAPS]


class SeriesMemory:
    """The state of all series; used by one thread."""

    def __init__(
        self,
        history: History | None = None,
        *,
        resolution_us: int = 1,
        most_series: int = 50_000,
        warm_up_s: float = 0.02,
    ) -> None:
        """Start empty.

        Args:
            history: None: there is no store.
            resolution_us: resolution of the times in the store.
            most_series: how many are remembered; the one first seen goes first.
            warm_up_s: time of each batch that may be spent on reading history, from the first
                series that needs it; the others wait their turn. So one a batch is read, however
                slow the machine is.
        """
        self._history = history
        self._resolution_us = resolution_us
        self._most_series = most_series
        self._warm_up_s = warm_up_s
        self._series: dict[SeriesName, SeriesState] = {}
        self._checks = {quantity: Checks(quantity) for quantity in LIMITS}
        #: Of each quantity by tank.
        self._agreements: dict[str, dict[str, Agreement]] = {quantity: {} for quantity in LIMITS}
        #: What was read last of a single time: it is asked for twice, for the clock and the value.
        self._last_at: tuple[SeriesName, int, Samples] | None = None
        #: None: nothing was read in this batch.
        self._warm_until_s: float | None = 0.0
        self._no_history_until_s = 0.0

    def __len__(self) -> int:
        return len(self._series)

    def begin_batch(self) -> None:
        """Grant a new batch its time for reading history; what the store has may have changed."""
        self._last_at = None
        self._warm_until_s = None

    def series(self, name: SeriesName, end_us: int) -> SeriesState:
        """The state of a series.

        Args:
            end_us: when it is first seen, what the store has before this time is read.
        """
        series = self._series.get(name)
        if series is None:
            gone = _make_room(self._series, self._most_series)
            if gone is not None:
                gone.checks.free_slot(gone.slot)
            checks = self._checks[name[1]]
            series = SeriesState(name, checks, checks.take_slot(), self._agreement(name))
            self._series[name] = series
        if not series.warm and self._history is not None:
            now_s = time.monotonic()
            if self._warm_until_s is None:
                self._warm_until_s = now_s + self._warm_up_s
            if self._no_history_until_s <= now_s < self._warm_until_s:
                self._warm_up(series, end_us)
        return series

    def is_stored(self, series: SeriesState, time_us: int) -> bool:
        """Whether a series has a reading of exactly this device time."""
        return series.is_recent(time_us) or len(self._at(series.name, time_us)) > 0

    def stored(self, series: SeriesState, time_us: int, arrival_us: int) -> Reading | None:
        """The reading that the store has at a device time; None while its history is not read."""
        if not series.warm:
            return None
        if time_us > series.seen_us and arrival_us - time_us < _HISTORY_US:
            return None  # newer than all there is: no need to ask
        found = self._at(series.name, time_us)
        if not len(found):
            return None
        flags = Flag(int(found.flags[0]))
        return Reading(*series.name, int(found.time_us[0]), float(found.value[0]), flags)

    def follow(self, key: SeriesKey, newest_us: int | None) -> None:
        """Forget a series of which the store has newer readings: another process writes it too.

        It is then read from the store, as after a restart.

        Args:
            newest_us: time of its newest reading in the store; None: there is none.
        """
        series = self._series.get((key.tank, key.quantity, key.sensor))
        if series is not None and newest_us is not None and newest_us > series.seen_us:
            self.forget(key)

    def forget(self, key: SeriesKey) -> None:
        """Forget a series, such as when its last readings could not be stored."""
        series = self._series.get((key.tank, key.quantity, key.sensor))
        if series is not None:
            series.clear(self._agreement(series.name))

    def _agreement(self, name: SeriesName) -> Agreement | None:
        tank, quantity, _ = name
        if LIMITS[quantity].apart is None:
            return None
        agreements = self._agreements[quantity]
        found = agreements.get(tank)
        if found is None:
            _make_room(agreements, self._most_series)
            found = agreements[tank] = Agreement()
        return found

    def _warm_up(self, series: SeriesState, end_us: int) -> None:
        """Begin a series anew with its history, if the store can give it now."""
        name, checks, slot = series.name, series.checks, series.slot
        samples = self._read(name, end_us - _HISTORY_US, end_us)
        series.clear(self._agreement(name))
        if self._no_history_until_s > time.monotonic():
            return
        series.warm = True
        if not len(samples):
            return
        times, values = samples.time_us.tolist(), samples.value.tolist()
        checks.recent_us.replace(slot, array("q", times[-WINDOW:]))
        series.gaps_us = _gaps_of(samples)
        series.seen_us = times[-1]
        stuck = 0
        judged = zip(times, values, samples.flags.tolist(), strict=True)
        for left, (time_us, value, flags) in zip(range(len(times), 0, -1), judged, strict=True):
            if not flags & _TIME_UNKNOWN:
                series.newest_us = time_us
            if flags & _NOT_JUDGED:
                continue
            if checks.outliers is not None and left <= _NEIGHBOURS:
                elapsed_us = time_us - series.last_us
                if elapsed_us > SILENCE_US:
                    checks.outliers.forget(slot)
                reading = Reading(*name, time_us, value, Flag(flags & ~_DOUBTED))
                checks.outliers.add(slot, reading, elapsed_us)
            if not flags & _SPIKE:
                checks.stuck.is_stuck(slot, value, time_us)
            series.last_us = time_us
            stuck = flags & _STUCK
        if stuck:
            checks.stuck.resume_stuck(slot)

    def _at(self, name: SeriesName, time_us: int) -> Samples:
        start_us = time_us - time_us % self._resolution_us
        if self._last_at is None or self._last_at[:2] != (name, start_us):
            samples = self._read(name, start_us, start_us + self._resolution_us)
            self._last_at = (name, start_us, samples)
        return self._last_at[2]

    def _read(self, name: SeriesName, start_us: int, end_us: int) -> Samples:
        if self._history is None or time.monotonic() < self._no_history_until_s:
            return Samples.empty()
        try:
            return self._history(SeriesKey(*name), start_us, end_us)
        except LittoralError as error:
            _log.info("no history of %s: %s", "/".join(name), error.detail)
            self._no_history_until_s = time.monotonic() + _HISTORY_PAUSE_S
            return Samples.empty()


def _gaps_of(samples: Samples) -> array[int] | None:
    """The gaps between the readings of a series, as ``SeriesState`` has them."""
    steps = np.diff(samples.time_us)
    if not len(steps):
        return None
    least_us = max(JUMP_BACK_US, _GAP_INTERVALS * median(steps.tolist()))
    at = np.flatnonzero(steps > least_us)[-_GAPS:]
    if not len(at):
        return None
    ends = np.column_stack((samples.time_us[at], samples.time_us[at + 1]))
    return array("q", ends.ravel().tolist())


def _make_room(memory: dict[K, V], most: int) -> V | None:
    """Forget what was first remembered, where there is as much as may be; returns it."""
    return memory.pop(next(iter(memory))) if len(memory) >= most else None
