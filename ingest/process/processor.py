"""Processes samples to readings: calibrates, decides the time, flags. Every way in uses this."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from ingest.decode.message import (
    ClockState,
    FirstDelivery,
    Message,
    PayloadError,
    Reason,
    internal_rejection,
    rejection,
)
from ingest.decode.sample import Arrival, Sample
from ingest.process import device_clock
from ingest.process.admission import Admission, SensorLimits, StoredSeries
from ingest.process.archived import Judged, judge_archived
from ingest.process.calibration import Calibrated, Calibrations
from ingest.process.clock_offset import DeviceClocks, KnownOffsets
from ingest.process.device_clock import ClockLimits
from ingest.process.message_clock import MessageClock, MessageClocks, NamedSample
from ingest.process.outcomes import Processed, Unchanged
from ingest.process.quality.judge import judge
from ingest.process.series import History, SeriesMemory, SeriesName, SeriesState
from ingest.process.water_temperature import (
    BeliefOrder,
    WaterTemperatures,
    main_first,
    temperature_in,
)
from service.store import NOT_USABLE, Flag, Reading, Samples, SeriesKey, Store
from service.store.columns import ReadingColumns

_log = logging.getLogger(__name__)
_NOT_USABLE: Final = int(NOT_USABLE)


class Processor:
    """Processes batches; used by one thread."""

    def __init__(
        self,
        calibrations: Callable[[], Calibrations],
        limits: ClockLimits,
        store: Store | None,
        *,
        sensors: SensorLimits | None = None,
        known_clocks: KnownOffsets = dict,
        thermometers: BeliefOrder = main_first,
        written_by_others: bool = False,
        warm_up_s: float = 0.02,
    ) -> None:
        """Start without memory of earlier readings; the store has it.

        Args:
            calibrations: those in the log now; asked for once a batch.
            limits: how far a device's time may be from its arrival.
            store: read for the history of a series when it is first seen; None: there is none.
            sensors: how many series a tank may have; None: any number.
            known_clocks: offsets of device clocks that are known from before.
            thermometers: those of a tank in the order of belief; they compensate its electrode.
            written_by_others: other processes write the same series, so the store is asked
                before each batch whether its readings are newer than those remembered.
            warm_up_s: time of each batch that may be spent on reading history, and as much on
                reading which series there are.
        """
        #: What is known of the clocks of the devices.
        self.clocks = DeviceClocks(limits, known_clocks)
        self._current_calibrations = calibrations
        self._calibrations = Calibrations()
        self._limits = limits
        self._store = store
        self._written_by_others = written_by_others
        self._resolution_us = 1 if store is None else store.time_resolution_us
        self._tolerance = 0.0 if store is None else store.value_tolerance
        self._memory = SeriesMemory(
            None if store is None else _history_in(store),
            resolution_us=self._resolution_us,
            warm_up_s=warm_up_s,
        )
        self._message_clocks = MessageClocks(limits, self._memory, self.clocks)
        self._temperatures = WaterTemperatures(
            None if store is None else temperature_in(store, thermometers), thermometers
        )
        self._admission = Admission(
            sensors, None if store is None else _series_in(store), ask_s=warm_up_s
        )

    def process(self, batch: Iterable[Arrival]) -> Processed:
        """Turn samples into readings and rejections, in their order.

        Raises:
            StoreUnavailableError, StoreRefusedError: other processes write the same series, and
                the store cannot be asked for theirs.
        """
        processed = Processed()
        self._calibrations = self._current_calibrations()
        self._admission.begin_batch()
        if self._written_by_others:
            batch = list(batch)
            self._follow(batch)
        self._memory.begin_batch()
        for arrival in batch:
            try:
                self._arrival(arrival, processed)
            except Exception as error:  # noqa: BLE001 - else the broker would send it for ever
                _log.exception("a message on %s cannot be processed", arrival.message.topic)
                processed.reject(internal_rejection(arrival.message, error))
        return processed

    def refusal(self, reading: Reading) -> str:
        """Why the series of a reading may not be stored, naming the limit; "" where it may."""
        return self._admission.refusal((reading.tank, reading.quantity, reading.sensor))

    def process_archived(self, readings: ReadingColumns, now_us: int) -> Judged:
        """Flag readings of a file: their times and values stay, no calibration is applied.

        Args:
            readings: in canonical units, none that ``refusal`` refuses; they are judged in the
                order of their times.
            now_us: a time ahead of this is flagged ``CLOCK``.
        """
        self._memory.begin_batch()
        judged = judge_archived(self._memory, readings, now_us + self._limits.future_us)
        for one in judged.last:
            if one.quantity == "temperature":
                self._temperatures.add(one.tank, one.time_us, one.value, one.sensor)
        return judged

    def forget(self, batch: Sequence[Arrival]) -> None:
        """Forget the series of a batch, because what became of it could not be stored."""
        for key in _series_of(batch):
            self._memory.forget(key)
            self._admission.forget(key)

    def _follow(self, batch: Sequence[Arrival]) -> None:
        assert self._store is not None
        for key in _series_of(batch):
            if self._admission.refusal((key.tank, key.quantity, key.sensor)):
                continue
            newest = self._store.latest(key, flagged=True)
            self._memory.follow(key, None if newest is None else newest.time_us)

    def _arrival(self, arrival: Arrival, processed: Processed) -> None:
        message, samples, rejections, source, first = arrival
        # one tuple for each: it is a key wherever something is remembered of the series
        named = [(sample[:3], sample) for sample in samples]
        refused = self._refused(named)
        admitted = named
        if refused:
            admitted = [one for index, one in enumerate(named) if index not in refused]
        clock = self._message_clocks.of(message, first, admitted)
        arrival_us = message.arrival_us
        for index, (name, sample) in enumerate(named):
            try:
                if index in refused:
                    raise PayloadError(Reason.TOO_MANY_SENSORS, refused[index])
                arrival_us = self._sample(name, sample, message, first, clock, processed)
            except PayloadError as error:
                rejected = rejection(
                    message, error.reason, error.detail, source=source, tank=sample.tank
                )
                processed.reject(rejected)
        for rejected in rejections:
            processed.reject(rejected)
        if first is None and (message.qos or message.numbered):
            processed.first_deliveries.append((message, FirstDelivery(arrival_us, clock.state)))

    def _refused(self, named: Sequence[NamedSample]) -> dict[int, str]:
        """Why samples may not be stored, by their index; none but those of new series."""
        refused = {}
        for index, (name, _) in enumerate(named):
            reason = self._admission.refusal(name)
            if reason:
                refused[index] = reason
        return refused

    def _sample(
        self,
        name: SeriesName,
        sample: Sample,
        message: Message,
        first: FirstDelivery | None,
        clock: MessageClock,
        processed: Processed,
    ) -> int:
        """Make the reading of one sample; returns the arrival that was used."""
        tank, quantity, sensor, value, scale, time_us, flags = sample
        arrival_us = message.arrival_us
        raw = None
        if time_us is not None and clock.shift_us:
            time_us -= clock.shift_us
            flags |= Flag.TIME_CORRECTED
        if scale is not None or self._calibrations.apply_to(name):
            value, raw, doubt = self._calibrated(name, sample, time_us or arrival_us)
            flags |= doubt
        series = self._memory.series(name, arrival_us + self._limits.future_us)
        late = False
        if time_us is None or clock.state is ClockState.WRONG:
            if time_us is not None:
                if self._is_repeated(series, time_us, value, arrival_us, processed):
                    return arrival_us
                flags |= Flag.CLOCK
            if first is not None and self._is_repeated(
                series, arrival_us, value, arrival_us, processed
            ):
                return arrival_us
            if message.retain:
                flags |= Flag.RETAINED
            if first is None and self._resolution_us > 1:
                arrival_us = device_clock.arrival_time_us(series, arrival_us, self._resolution_us)
            time_us = arrival_us
        else:
            if message.retain and self._memory.is_stored(series, time_us):
                return arrival_us
            if self._is_repeated(series, time_us, value, arrival_us, processed):
                return arrival_us
            late = arrival_us - time_us > self._limits.late_after_us
            if not clock.shift_us:
                series.add_device_time(time_us)
        reading = Reading(tank, quantity, sensor, time_us, value, flags, raw)
        self._judge(series, reading, late, processed)
        return arrival_us

    def _calibrated(self, name: SeriesName, sample: Sample, time_us: int) -> Calibrated:
        temperature_c = None
        if sample.scale == "mV":
            temperature_c = self._temperatures.at(sample.tank, time_us)
        return self._calibrations.apply(name, sample.value, sample.scale, time_us, temperature_c)

    def _is_repeated(
        self, series: SeriesState, time_us: int, value: float, arrival_us: int, processed: Processed
    ) -> bool:
        """Whether this very reading is stored or about to be: then its flags stay as they are."""
        stored = self._memory.stored(series, time_us, arrival_us)
        if stored is None and series.is_recent(time_us):
            same = (r for r in reversed(processed.readings) if r.time_us == time_us)
            stored = next((r for r in same if (r.tank, r.quantity, r.sensor) == series.name), None)
        if stored is None or abs(stored.value - value) > self._tolerance * abs(value):
            return False
        processed.outcomes.append(Unchanged(stored))
        return True

    def _judge(
        self, series: SeriesState, reading: Reading, late: bool, processed: Processed
    ) -> None:
        """Add the flags of a reading, and the reading to what is to be stored."""
        reading, corrected = judge(series, reading, late)
        processed.outcomes.append(reading)
        processed.readings.append(reading)
        if corrected:
            processed.readings.extend(corrected)
        if reading.quantity == "temperature" and not int(reading.flags) & _NOT_USABLE:
            self._temperatures.add(reading.tank, reading.time_us, reading.value, reading.sensor)


def _series_of(batch: Sequence[Arrival]) -> list[SeriesKey]:
    """The series of a batch, each once, in the order in which they come."""
    keys = (
        SeriesKey(sample.tank, sample.quantity, sample.sensor)
        for arrival in batch
        for sample in arrival.samples
    )
    return list(dict.fromkeys(keys))


def _series_in(store: Store) -> StoredSeries:
    def read(tank: str) -> list[SeriesKey]:
        return [info.key for info in store.series(tank)]

    return read


def _history_in(store: Store) -> History:
    def read(key: SeriesKey, start_us: int, end_us: int) -> Samples:
        return store.read(key, start_us, end_us, flagged=True)

    return read
