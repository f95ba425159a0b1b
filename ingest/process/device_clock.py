"""Whose clock to believe: the device's, unless it is wrong; then the time of arrival."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: A device's time further back than this is a wrong clock, not a late message, s. Our choice:
#: a sensor that was cut off for longer has lost its queue.
BACKLOG_S: Final = 31 * 86_400.0
#: A device's time further behind the newest of the same series is a clock that jumped back,
#: unless that reading is stored already, s. Our choice: a device sends its queue oldest first.
JUMP_BACK_S: Final = 120.0


@dataclass(frozen=True, slots=True)
class StampLimits:
    """How far a device's time may lie from its arrival.

    Attributes:
        late_after_us: older than this: ``LATE``.
        future_us: further ahead than this: ``CLOCK``.
    """

    late_after_us: int
    future_us: int


def is_absurd(time_us: int, arrival_us: int, limits: StampLimits) -> bool:
    """Whether a device's time lies in the future, or too long ago: 1970, say."""
    return time_us > arrival_us + limits.future_us or time_us < arrival_us - int(BACKLOG_S * 1e6)


def jumped_back(time_us: int, newest_us: int | None) -> bool:
    """Whether a device's time lies too far behind the newest of its series."""
    return newest_us is not None and time_us < newest_us - int(JUMP_BACK_S * 1e6)
