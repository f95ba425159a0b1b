"""From a batch of messages to what is written: stamped, judged readings, and rejections."""

from __future__ import annotations

import logging
from collections.abc import Container, Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.decode.decoder import Sample, decode
from ingest.decode.message import Message, PayloadError, Reason, rejection
from ingest.decode.routes import Router
from ingest.process.calibration import Calibrations
from ingest.process.dedupe import Journal
from ingest.process.quality import Judge
from service.registry.models import Rejection
from service.store import NOT_USABLE, Flag, Reading, SeriesKey

_log = logging.getLogger(__name__)
#: Topics of which the last retained message is remembered.
_RETAINED: Final = 10_000
_NOT_USABLE: Final = int(NOT_USABLE)


@dataclass(slots=True)
class Batch:
    """What one batch of messages became."""

    readings: list[Reading] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)


class Pipeline:
    """Decodes, calibrates, stamps and judges; used by one thread."""

    def __init__(
        self,
        router: Router,
        tanks: Container[str],
        calibrations: Calibrations,
        judge: Judge,
        journal: Journal,
    ) -> None:
        self._router = router
        self._tanks = tanks
        self._calibrations = calibrations
        self._judge = judge
        self._journal = journal
        self._retained: dict[str, bytes] = {}

    def process(self, messages: Sequence[Message]) -> Batch:
        """Turn messages into readings and rejections, in their order."""
        batch = Batch()
        self._judge.begin_batch()
        for message in messages:
            try:
                self._one(message, batch)
            except Exception as error:  # noqa: BLE001 - else the broker would send it for ever
                _log.exception("a message on %s is not understood", message.topic)
                detail = f"a fault of the ingester: {error!r:.200}; allowed: anything"
                batch.rejections.append(rejection(message, Reason.INTERNAL, detail))
        return batch

    def _one(self, message: Message, batch: Batch) -> None:
        targets = self._router.targets(message.topic)
        if not targets or (message.retain and self._seen_retained(message)):
            return
        taken = self._journal.taken_before(message)
        if taken is not None:
            message = message._replace(arrival_us=taken.arrival_us)
        samples, rejections = decode(message, targets, self._tanks)
        batch.rejections.extend(rejections)
        if taken is not None:
            clock_wrong = taken.clock_wrong
        else:
            clock_wrong = self._clock_is_wrong(samples, message.arrival_us)
        arrival_us = message.arrival_us
        for sample in samples:
            try:
                arrival_us = self._keep(sample, message, clock_wrong, taken is not None, batch)
            except PayloadError as error:
                batch.rejections.append(
                    rejection(message, error.reason, error.detail, tank=sample.tank)
                )
        if message.qos and taken is None:
            if arrival_us != message.arrival_us:
                message = message._replace(arrival_us=arrival_us)
            self._journal.take(message, clock_wrong=clock_wrong)

    def _clock_is_wrong(self, samples: Sequence[Sample], arrival_us: int) -> bool:
        """Whether the device's clock is wrong: one clock stamps all of a message."""
        wrong = False
        for sample in samples:
            if sample.time_us is not None and self._judge.clock_is_wrong(
                sample.tank, sample.quantity, sample.sensor, sample.time_us, arrival_us
            ):
                wrong = True
        return wrong

    def _keep(
        self, sample: Sample, message: Message, clock_wrong: bool, again: bool, batch: Batch
    ) -> int:
        """Make the reading of one sample; returns the arrival that was used."""
        tank, quantity, sensor, value, unit, time_us, flags = sample
        raw = None
        if unit is not None or self._calibrations.concern(sample):
            value, raw, doubt = self._calibrations.apply(sample, time_us or message.arrival_us)
            flags |= doubt
        arrival_us = message.arrival_us
        from_device = time_us is not None and not clock_wrong
        if time_us is None or clock_wrong:
            if time_us is not None:
                flags |= Flag.CLOCK
            if message.retain:
                flags |= Flag.RETAINED
            if not again:
                arrival_us = self._judge.arrival_time_us(tank, quantity, sensor, arrival_us)
            time_us = arrival_us
        elif message.retain and self._judge.is_stored(SeriesKey(tank, quantity, sensor), time_us):
            return arrival_us
        reading = Reading(tank, quantity, sensor, time_us, value, flags, raw)
        judged = self._judge.judge(reading, message.arrival_us, from_device=from_device)
        batch.readings.append(judged.reading)
        if quantity == "temperature" and not int(judged.reading.flags) & _NOT_USABLE:
            self._calibrations.note_temperature(tank, time_us, value)
        if judged.corrected:
            batch.readings.extend(judged.corrected)
        return arrival_us

    def _seen_retained(self, message: Message) -> bool:
        """Whether this very retained message came already: a reconnect brings it again."""
        if self._retained.get(message.topic) == message.payload:
            return True
        if len(self._retained) >= _RETAINED:
            self._retained.clear()
        self._retained[message.topic] = message.payload[:1000]
        return False
