"""Decides for each message how its device times are taken: one clock gave all of them."""

from __future__ import annotations

from typing import Final, NamedTuple

from ingest.decode.message import ClockState
from ingest.decode.sample import Arrival, Sample
from ingest.process import device_clock
from ingest.process.clock_offset import DeviceClocks, taken
from ingest.process.device_clock import ClockLimits
from ingest.process.series import SeriesMemory


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

    def of(self, arrival: Arrival) -> MessageClock:
        """How the device times of a message are taken."""
        message, first, samples = arrival.message, arrival.first_delivery, arrival.samples
        timed = [one for one in samples if one.time_us is not None]
        if not timed:
            return _RIGHT
        known = [self._known(one, arrival) for one in timed]
        offset_us = next((one for one in known if one is not None), None)
        if first is not None:
            state = first.clock
        elif offset_us is not None and not message.retain:
            newest_us = max(one.time_us or 0 for one in timed)
            state = taken(newest_us, message.arrival_us, offset_us)
        else:
            return _WRONG if self._is_wrong(arrival) else _RIGHT
        if state is not ClockState.SHIFTED:
            return MessageClock(state)
        return _WRONG if offset_us is None else MessageClock(state, offset_us)

    def _known(self, sample: Sample, arrival: Arrival) -> int | None:
        """The known offset of the clock behind a sample, which is an observation itself."""
        message = arrival.message
        if arrival.first_delivery is not None or message.retain or sample.time_us is None:
            return self._clocks.offset_us(sample[:3])
        return self._clocks.observe(sample[:3], sample.time_us, message.arrival_us)

    def _is_wrong(self, arrival: Arrival) -> bool:
        """Whether a clock that is not known to be off by a constant is wrong."""
        wrong = False
        arrival_us = arrival.message.arrival_us
        for sample in arrival.samples:
            time_us = sample.time_us
            if time_us is None:
                continue
            if device_clock.is_absurd(time_us, arrival_us, self._limits):
                wrong = True
            else:
                end_us = arrival_us + self._limits.future_us
                series = self._memory.series(sample[:3], end_us)
                if device_clock.has_jumped_back(series, time_us, arrival_us, self._memory):
                    wrong = True
        return wrong
