"""All doubts together: one state per series, bounded, warmed up from the store."""

from __future__ import annotations

import logging
import time
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple, TypeVar

from ingest.process.device_clock import StampLimits, is_absurd, jumped_back
from ingest.process.quality.agreement import Agreement
from ingest.process.quality.limits import LIMITS
from ingest.process.quality.spike import WINDOW, SpikeWatch
from ingest.process.quality.stuck import StuckWatch
from service.errors import LittoralError
from service.store import NOT_USABLE, Flag, Reading, Samples, SeriesKey
from service.units import QUANTITIES

_log = logging.getLogger(__name__)

#: Series whose state is remembered; the one first seen goes first.
_SERIES: Final = 50_000
#: After a silence of this length the last values say nothing about the next, microseconds.
_SILENCE_US: Final = 45 * 60 * 1_000_000
#: How far back the store is read when a series is first seen: the longest ``still_s``.
_HISTORY_US: Final = int(max(limits.still_s for limits in LIMITS.values()) * 1.1e6)
#: Time of each batch that may be spent on reading history, s; the others wait their turn.
WARM_UP_S: Final = 0.02
#: How long history is not asked for after the store could not give it, s.
_HISTORY_PAUSE_S: Final = 5.0

K = TypeVar("K")
V = TypeVar("V")
History = Callable[[SeriesKey, int, int], Samples]


_IMPLAUSIBLE, _SPIKE, _STUCK = int(Flag.IMPLAUSIBLE), int(Flag.SPIKE), int(Flag.STUCK)
_LATE, _DISAGREES, _NOT_USABLE = int(Flag.LATE), int(Flag.DISAGREES), int(NOT_USABLE)
_TIME_UNKNOWN = int(Flag.CLOCK | Flag.RETAINED)
_NONE: Sequence[Reading] = ()


class Judged(NamedTuple):
    """A reading with its flags, and earlier readings whose doubt is taken back."""

    reading: Reading
    corrected: Sequence[Reading]


@dataclass(slots=True)
class _Series:
    """State of one series.

    Attributes:
        low, high: the plausible range.
        agreement: shared by the sensors of one quantity in one tank.
        newest_us: newest device time seen.
        jumped_us: last device time of a clock that jumped back; None: it is right.
        newest_arrival_us: newest arrival that stood in for a time.
        last_us: time of the last reading that was judged in order.
        seen_us: time of the newest reading that is in this memory, doubted or not.
        warm: the store's history is in it.
        recent_us: times of its last readings.
    """

    low: float
    high: float
    stuck: StuckWatch
    spike: SpikeWatch | None
    agreement: Agreement | None
    newest_us: int | None = None
    jumped_us: int | None = None
    newest_arrival_us: int = 0
    last_us: int = 0
    seen_us: int = 0
    warm: bool = False
    recent_us: array[int] = field(default_factory=lambda: array("q"))


class Judge:
    """Stamps and flags the readings of all series; used by one thread."""

    def __init__(
        self, limits: StampLimits, history: History | None = None, resolution_us: int = 1
    ) -> None:
        """Start without memory.

        Args:
            history: reads a span of a series from the store, flagged readings included;
                ``LittoralError`` when it cannot.
            resolution_us: the store keeps times in steps of this; arrivals that stand in for a
                time are kept apart by as much.
        """
        self._limits = limits
        self._history = history
        self._resolution_us = resolution_us
        self._series: dict[tuple[str, str, str], _Series] = {}
        self._agreements: dict[tuple[str, str], Agreement] = {}
        self._warm_until_s = 0.0
        self._no_history_until_s = 0.0

    def begin_batch(self) -> None:
        """Grant a new batch its time for reading history."""
        self._warm_until_s = time.monotonic() + WARM_UP_S

    # -- the time

    def clock_is_wrong(
        self, tank: str, quantity: str, sensor: str, time_us: int, arrival_us: int
    ) -> bool:
        """Whether a device's time cannot be right; a reading that is stored already can."""
        if is_absurd(time_us, arrival_us, self._limits):
            return True
        state = self._state(tank, quantity, sensor, arrival_us)
        if not jumped_back(time_us, state.newest_us):
            state.jumped_us = None
            return False
        runs_on = state.jumped_us is not None and time_us > state.jumped_us
        if not runs_on and self.is_stored(SeriesKey(tank, quantity, sensor), time_us):
            return False
        # From now on the arrivals stand for the times: only a clock that is right again is not
        # behind them.
        state.jumped_us = time_us
        state.newest_us = max(state.newest_us or 0, arrival_us)
        return True

    def is_stored(self, key: SeriesKey, time_us: int) -> bool:
        """Whether a series has a reading of exactly this time."""
        state = self._series.get((key.tank, key.quantity, key.sensor))
        if state is not None and time_us in state.recent_us:
            return True
        return len(self._read(key, time_us, time_us + self._resolution_us)) > 0

    def arrival_time_us(self, tank: str, quantity: str, sensor: str, arrival_us: int) -> int:
        """The arrival as a reading's time: apart from the series' last one."""
        resolution_us = self._resolution_us
        if resolution_us == 1:
            return arrival_us
        state = self._state(tank, quantity, sensor, arrival_us)
        time_us = arrival_us - arrival_us % resolution_us
        last_us = state.newest_arrival_us
        if last_us - 1_000_000 < time_us <= last_us:
            time_us = last_us + resolution_us
        state.newest_arrival_us = time_us
        return time_us

    # -- the value

    def judge(self, reading: Reading, arrival_us: int, *, from_device: bool) -> Judged:
        """Add what speaks against a reading.

        Args:
            reading: with its final time, and the flags that are known already.
            from_device: its time is the device's.
        """
        state = self._state(reading.tank, reading.quantity, reading.sensor, arrival_us)
        time_us, value = reading.time_us, reading.value
        if time_us > state.seen_us:
            state.seen_us = time_us
        # Plain integers: the operators of IntFlag are slow, and this runs for every reading.
        before = flags = int(reading.flags)
        if not state.low <= value <= state.high:
            flags |= _IMPLAUSIBLE
        if from_device:
            if arrival_us - time_us > self._limits.late_after_us:
                flags |= _LATE
            self._remember_time(state, time_us)
        corrected = _NONE
        if not flags & _NOT_USABLE and time_us > state.last_us:
            flags, corrected = self._in_order(reading, flags, state)
        if flags != before:
            reading = replace(reading, flags=Flag(flags))
        return Judged(reading, corrected)

    def _remember_time(self, state: _Series, time_us: int) -> None:
        if state.newest_us is None or time_us > state.newest_us:
            state.newest_us = time_us
        state.recent_us.append(time_us)
        if len(state.recent_us) > WINDOW:
            del state.recent_us[0]

    def _in_order(
        self, reading: Reading, flags: int, state: _Series
    ) -> tuple[int, Sequence[Reading]]:
        """Judge a reading by those before it."""
        value, time_us = reading.value, reading.time_us
        elapsed_us, state.last_us = time_us - state.last_us, time_us
        spike = state.spike
        corrected = _NONE
        if spike is not None:
            if elapsed_us > _SILENCE_US:
                spike.forget()
            if spike.is_suspect(value, elapsed_us):
                confirmed = spike.suspect(replace(reading, flags=Flag(flags)))
                if not confirmed:
                    return flags | _SPIKE, corrected
                corrected = confirmed[:-1]
            else:
                spike.accept(value)
        if state.stuck.is_stuck(value, time_us):
            return flags | _STUCK, corrected
        if state.agreement is not None and state.agreement.disagrees(
            reading.sensor, value, time_us
        ):
            flags |= _DISAGREES
        return flags, corrected

    # -- the memory

    def follow(self, key: SeriesKey, newest_us: int | None) -> None:
        """Forget a series of which the store has newer readings: somebody else writes it too.

        It is then read from the store, as after a restart.

        Args:
            newest_us: time of its newest reading in the store; None: there is none.
        """
        state = self._series.get((key.tank, key.quantity, key.sensor))
        if state is not None and newest_us is not None and newest_us > state.seen_us:
            self.forget(key)

    def forget(self, key: SeriesKey) -> None:
        """Forget a series, since what was judged of it last did not come into the store."""
        self._series.pop((key.tank, key.quantity, key.sensor), None)

    def _state(self, tank: str, quantity: str, sensor: str, arrival_us: int) -> _Series:
        name = (tank, quantity, sensor)
        state = self._series.get(name)
        if state is None:
            _make_room(self._series)
            state = self._series[name] = self._empty(tank, quantity)
        if not state.warm and self._history is not None:
            now_s = time.monotonic()
            if self._no_history_until_s <= now_s < self._warm_until_s:
                state = self._series[name] = self._warmed(SeriesKey(*name), arrival_us)
        return state

    def _empty(self, tank: str, quantity: str) -> _Series:
        limits, known = LIMITS[quantity], QUANTITIES[quantity]
        agreement = None
        if limits.apart is not None:
            agreement = self._agreements.get((tank, quantity))
            if agreement is None:
                _make_room(self._agreements)
                agreement = self._agreements[tank, quantity] = Agreement(limits)
        return _Series(
            known.plausible_low,
            known.plausible_high,
            StuckWatch(limits),
            SpikeWatch(limits.step, limits.drift_h) if limits.step is not None else None,
            agreement,
        )

    def _warmed(self, key: SeriesKey, arrival_us: int) -> _Series:
        state = self._empty(key.tank, key.quantity)
        samples = self._read(key, arrival_us - _HISTORY_US, arrival_us + self._limits.future_us)
        if self._no_history_until_s > time.monotonic():
            return state
        state.warm = True
        if not len(samples):
            return state
        times, values = samples.time_us.tolist(), samples.value.tolist()
        state.recent_us = array("q", times[-WINDOW:])
        state.seen_us = times[-1]
        for time_us, value, flags in zip(times, values, samples.flags.tolist(), strict=True):
            if not flags & _TIME_UNKNOWN:
                state.newest_us = time_us
            if not flags & _NOT_USABLE & ~_STUCK:
                state.stuck.is_stuck(value, time_us)
                if state.spike is not None:
                    if time_us - state.last_us > _SILENCE_US:
                        state.spike.forget()
                    state.spike.accept(value)
                state.last_us = time_us
        return state

    def _read(self, key: SeriesKey, start_us: int, end_us: int) -> Samples:
        if self._history is None or time.monotonic() < self._no_history_until_s:
            return Samples.empty()
        try:
            return self._history(key, start_us, end_us)
        except LittoralError as error:
            _log.info("no history of %s: %s", key, error.detail)
            self._no_history_until_s = time.monotonic() + _HISTORY_PAUSE_S
            return Samples.empty()


def _make_room(memory: dict[K, V]) -> None:
    if len(memory) >= _SERIES:
        del memory[next(iter(memory))]
