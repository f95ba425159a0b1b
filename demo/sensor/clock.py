"""Time on a board without a clock of its own: whole seconds, in integers.

Integers, because many boards have floats of 32 bits: a time of today in one of those is wrong by
up to a minute.
"""

import time

# Some ports count from 1970, some from 2000.
_TO_1970 = 946684800 if time.gmtime(0)[0] == 2000 else 0
_SET_AFTER = 1735689600  # 2025-01-01: a clock that says less was never set


class Uptime:
    """Seconds since the start; ask at least once in six days (the ticks wrap)."""

    def __init__(self):
        self._last = time.ticks_ms()
        self._ms = 0

    def now(self):
        ticks = time.ticks_ms()
        self._ms += time.ticks_diff(ticks, self._last)
        self._last = ticks
        return self._ms // 1000


def unix():
    """Seconds since 1970 UTC, or None while the clock is not set."""
    now = int(time.time()) + _TO_1970
    return now if now > _SET_AFTER else None


def set_from_network():
    """Set the clock by NTP, where the port can; True when it is set."""
    try:
        import ntptime

        ntptime.settime()
    except (ImportError, OSError) as error:
        print("clock:", error)
    return unix() is not None
