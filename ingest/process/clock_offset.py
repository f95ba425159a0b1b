"""Recognises device clocks that are off by a constant, by what arrives as it is measured.

A device's time less its arrival is the offset of its clock, less the time that the message took. In
a minute the greatest one counts: beside it, readings of a backlog or of a pack are only older. A
few minutes that agree are the clock; a backlog that is being sent does not agree, because it comes
faster than it was measured.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from statistics import median
from typing import Final, NamedTuple

from ingest.decode.message import ClockState
from ingest.process.device_clock import BACKLOG_S, JUMP_BACK_S, ClockLimits
from ingest.process.quality.windows import Windows
from ingest.process.series import SeriesName

#: What arrives within so long counts as one observation, microseconds. Our choice.
_BURST_US: Final = 60_000_000
#: So many of the last observations are compared; of all but the fewest one may be off. Our choice.
_WINDOW: Final = 5
_LEAST: Final = 3
#: Observations no further from their median agree, microseconds. Our choice: what a message takes.
_AGREE_US: Final = 30_000_000
#: A time so near to a known offset was given by that clock just now, microseconds. Our choice.
_LIVE_US: Final = 60_000_000
#: A clock less slow than this may be one that is right and a way that is slow, microseconds ...
_SLOW_US: Final = 300_000_000
#: ... and so may one that is slow by fewer of its intervals: it sends means, or in packs.
_SLOW_INTERVALS: Final = 1.5
#: Slow by so many of its intervals it is soon known. Our choice.
_FAR_INTERVALS: Final = 10.0
#: A known offset that moved by less stays as it is, so that a reading that is sent again gets the
#: same time, microseconds. Our choice.
_MOVED_US: Final = 15_000_000
#: Series whose clocks are remembered; the one first seen goes first.
_SERIES: Final = 50_000
#: Rows of its columns that are added at once.
_ROWS: Final = 64
_JUMP_US: Final = int(JUMP_BACK_S * 1e6)
_BACKLOG_US: Final = int(BACKLOG_S * 1e6)

#: Offsets that are known from before, by series, microseconds; above 0: fast.
KnownOffsets = Callable[[], Mapping[SeriesName, int]]


class ClockChange(NamedTuple):
    """What became known of the clock behind a series.

    Attributes:
        offset_us: it is so much fast; None: it is right again.
        since_us: arrival at which that became known.
    """

    name: SeriesName
    offset_us: int | None
    since_us: int


class _Observed:
    """The offsets that were observed of each series, an observation a minute at most."""

    def __init__(self) -> None:
        """Start without slots."""
        self._arrivals_us: Windows[int] = Windows("q", _WINDOW)
        self._offsets_us: Windows[int] = Windows("q", _WINDOW)

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        self._arrivals_us.add_slots(count)
        self._offsets_us.add_slots(count)

    def clear(self, slot: int) -> None:
        """Start a series anew."""
        self._arrivals_us.clear(slot)
        self._offsets_us.clear(slot)

    def add(self, slot: int, offset_us: int, arrival_us: int) -> bool:
        """Take in an offset; whether it says anything new."""
        # NaN before the first one
        if abs(arrival_us - self._arrivals_us.last(slot)) < _BURST_US:
            if offset_us <= self._offsets_us.last(slot):
                return False
            self._offsets_us.replace_last(slot, offset_us)
            return True
        self._arrivals_us.append(slot, arrival_us)
        self._offsets_us.append(slot, offset_us)
        return True

    def steady(self, slot: int) -> int | None:
        """The offset that the last observations agree on; None where they don't."""
        offsets_us = self._offsets_us.of(slot)
        count = len(offsets_us)
        if count < _LEAST:
            return None
        middle = median(offsets_us)
        off = sum(abs(one - middle) > _AGREE_US for one in offsets_us)
        if off > (count > _LEAST):
            return None
        return round(middle / 1e6) * 1_000_000  # whole seconds, as they are written down

    def is_slow(self, slot: int, offset_us: int) -> bool:
        """Whether an offset below 0 is the clock, and neither the way nor the interval."""
        arrivals_us = self._arrivals_us.of(slot)
        count = len(arrivals_us)
        interval_us = (arrivals_us[-1] - arrivals_us[0]) / (count - 1)
        if count < _WINDOW and offset_us > -_FAR_INTERVALS * interval_us:
            return False
        return offset_us < -max(_SLOW_US, _SLOW_INTERVALS * interval_us)


class DeviceClocks:
    """The known offsets of the clocks behind all series; used by one thread.

    ``take_changes`` alone may be called from another one.
    """

    def __init__(self, limits: ClockLimits, known: KnownOffsets) -> None:
        """Start without observations."""
        self._limits = limits
        self._known = known
        self._slots: dict[SeriesName, int] = {}
        self._observed = _Observed()
        #: Of the slots of clocks that are off.
        self._offsets_us: dict[int, int] = {}
        self._changes: dict[SeriesName, ClockChange] = {}

    def observe(self, name: SeriesName, time_us: int, arrival_us: int) -> int | None:
        """Take in the newest device time of a message that was not stored on its way.

        Returns:
            The known offset of the clock behind the series, as ``offset_us`` gives it.
        """
        slot = self._slots.get(name)
        if slot is None:
            slot = self._new_slot(name)
        if self._observed.add(slot, time_us - arrival_us, arrival_us):
            self._judge(name, slot, arrival_us)
        return self._offsets_us.get(slot)

    def _judge(self, name: SeriesName, slot: int, arrival_us: int) -> None:
        """Decide about the clock behind a series after an observation that says something new."""
        steady = self._observed.steady(slot)
        if steady is None:
            return
        known_us = self._offsets_us.get(slot)
        wrong = steady > self._limits.future_us or self._observed.is_slow(slot, steady)
        if not wrong and known_us is not None and steady < -_SLOW_US:
            return  # slow by too few intervals to tell; what was known before counts on
        if wrong and known_us is not None and abs(steady - known_us) < _MOVED_US:
            return
        offset_us = steady if wrong else None
        if offset_us != known_us:
            self._set_offset(slot, offset_us)
            self._changes[name] = ClockChange(name, offset_us, arrival_us)

    def offset_us(self, name: SeriesName) -> int | None:
        """How fast the clock behind a series is known to be (below 0: slow); None: it is right."""
        slot = self._slots.get(name)
        return self._offsets_us.get(self._new_slot(name) if slot is None else slot)

    def take_changes(self) -> list[ClockChange]:
        """What became known since this was last asked, to be written down."""
        changes, self._changes = self._changes, {}
        return list(changes.values())

    def put_back(self, changes: list[ClockChange]) -> None:
        """What could not be written down is given again, unless there is something newer."""
        for one in changes:
            self._changes.setdefault(one.name, one)

    def _new_slot(self, name: SeriesName) -> int:
        """A slot for a series, which may be that of the one first seen."""
        slot = len(self._slots)
        if slot >= _SERIES:
            slot = self._slots.pop(next(iter(self._slots)))
        elif slot % _ROWS == 0:
            self._observed.add_slots(_ROWS)
        self._slots[name] = slot
        self._observed.clear(slot)
        self._set_offset(slot, self._known().get(name))
        return slot

    def _set_offset(self, slot: int, offset_us: int | None) -> None:
        if offset_us is None:
            self._offsets_us.pop(slot, None)
        else:
            self._offsets_us[slot] = offset_us


def taken(newest_us: int, arrival_us: int, offset_us: int) -> ClockState:
    """How the times of a clock that is known to be off are taken, by the newest of a message.

    What was sent as it was measured, or later, is corrected. Where the time is that of a clock
    which is right, it may be a backlog, or the clock was just set: the next minutes show it.
    """
    ahead_us = newest_us - arrival_us
    if abs(ahead_us - offset_us) <= _LIVE_US:
        return ClockState.SHIFTED
    if offset_us < 0:  # such a clock cannot have given the present time before: it was set
        if abs(ahead_us) <= _JUMP_US:
            return ClockState.RIGHT
    elif abs(ahead_us) <= _AGREE_US:
        return ClockState.WRONG
    in_past = offset_us - _BACKLOG_US <= ahead_us <= offset_us
    return ClockState.SHIFTED if in_past else ClockState.WRONG
