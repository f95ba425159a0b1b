"""Decides the time of a reading: the device's, or the arrival where the device's clock is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ingest.process.series import JUMP_BACK_US, SeriesMemory, SeriesState

#: A device's time further back than this is a wrong clock, not a late message, s. Our choice:
#: a sensor that was cut off for longer has lost its queue.
BACKLOG_S: Final = 31 * 86_400.0
#: A device's time further behind the newest of the same series is a clock that jumped back,
#: unless that reading is stored already, or falls into a gap of the series: then it comes from a
#: backlog, whatever came first, s. Our choice.
JUMP_BACK_S: Final = JUMP_BACK_US / 1e6
#: An arrival so far before the last one: our own clock was set back, µs. Our choice.
_SET_BACK_US: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class ClockLimits:
    """How far a device's time may be from its arrival.

    Attributes:
        late_after_us: older than this: ``LATE``.
        future_us: further ahead than this: ``CLOCK``.
    """

    late_after_us: int
    future_us: int

    @classmethod
    def of_seconds(cls, late_after_s: float, future_s: float) -> ClockLimits:
        """Limits as the configuration has them."""
        return cls(int(late_after_s * 1e6), int(future_s * 1e6))


def is_absurd(time_us: int, arrival_us: int, limits: ClockLimits) -> bool:
    """Whether a device's time is in the future, or too long ago, such as in 1970."""
    return time_us > arrival_us + limits.future_us or time_us < arrival_us - int(BACKLOG_S * 1e6)


def has_jumped_back(
    series: SeriesState, time_us: int, arrival_us: int, memory: SeriesMemory
) -> bool:
    """Whether a device's clock jumped back; the time of a stored reading is right.

    Args:
        time_us: the device's time, not absurd.
    """
    if series.newest_us is None or time_us >= series.newest_us - JUMP_BACK_US:
        series.jumped_us = None
        return False
    if series.is_in_gap(time_us):
        return False
    runs_on = series.jumped_us is not None and time_us > series.jumped_us
    if not runs_on and memory.is_stored(series, time_us):
        return False
    # From now on the arrivals are used as times: only a clock that is right again is not
    # behind them.
    series.jumped_us = time_us
    series.newest_us = max(series.newest_us, arrival_us)
    return True


def arrival_time_us(series: SeriesState, arrival_us: int, resolution_us: int) -> int:
    """The arrival as a reading's time: apart from the last one of its series.

    A backlog that comes at once is spread forward. Our own clock that is set back is followed.

    Args:
        resolution_us: resolution of the times in the store.
    """
    if resolution_us == 1:
        return arrival_us
    time_us = arrival_us - arrival_us % resolution_us
    if arrival_us > series.arrived_us - _SET_BACK_US:
        time_us = max(time_us, series.newest_arrival_us + resolution_us)
    series.arrived_us = arrival_us
    series.newest_arrival_us = time_us
    return time_us
