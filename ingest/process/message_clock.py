"""Decides for each message how its device times are taken: one clock gave all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.decode.sample import Sample
from ingest.process import device_clock
from ingest.process.clock_offset import DeviceClocks, taken
from ingest.process.device_clock import ClockLimits
from ingest.process.series import SeriesMemory, SeriesName

#: The series of a sample, and the sample.
NamedSample = tuple[SeriesName, Sample]


class MessageClock(NamedTuple):
    """How the device times of a message are taken: ``shift_us`` is taken off them."""

    state: ClockState
    shift_us: int = 0


_RIGHT: Final = MessageClock(ClockState.RIGHT)
_WRONG: Final = MessageClock(ClockState.WRONG)


class MessageClocks:
    """Judges the device times of messages by the series they belong to; used by one thread."""

    def __init__(self, limits: ClockLimits, memory: SeriesMemory, clocks: DeviceClocks) -> None:
        """Use what is remembered of the series and known of their clocks."""
        self._limits = limits
        self._memory = memory
        self._clocks = clocks

    def of(
        self, message: Message, first: FirstDelivery | None, samples: Sequence[NamedSample]
    ) -> MessageClock:
        """How the device times of a message are taken.

        Args:
            first: how it was processed when it came before; None: it did not.
        """
        timed = [(name, one.time_us) for name, one in samples if one.time_us is not None]
        if not timed:
            return _RIGHT
        offset_us = None
        for name, time_us in timed:
            known_us = self._known(message, first, name, time_us)
            offset_us = known_us if offset_us is None else offset_us
        if first is not None:
            state = first.clock
        elif offset_us is not None and not message.retain:
            newest_us = max(time_us for _, time_us in timed)
            state = taken(newest_us, message.arrival_us, offset_us)
        else:
            return _WRONG if self._is_wrong(message.arrival_us, timed) else _RIGHT
        if state is not ClockState.SHIFTED:
            return MessageClock(state)
        return _WRONG if offset_us is None else MessageClock(state, offset_us)

    def _known(
        self, message: Message, first: FirstDelivery | None, name: SeriesName, time_us: int
    ) -> int | None:
        """The known offset of the clock behind a series; the time is an observation itself."""
        if first is not None or message.retain:
            return self._clocks.offset_us(name)
        return self._clocks.observe(name, time_us, message.arrival_us)

    def _is_wrong(self, arrival_us: int, timed: Sequence[tuple[SeriesName, int]]) -> bool:
        """Whether a clock that is not known to be off by a constant is wrong."""
        wrong = False
        for name, time_us in timed:
            if device_clock.is_absurd(time_us, arrival_us, self._limits):
                wrong = True
            else:
                series = self._memory.series(name, arrival_us + self._limits.future_us)
                if device_clock.has_jumped_back(series, time_us, arrival_us, self._memory):
                    wrong = True
        return wrong
