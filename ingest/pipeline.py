"""From a batch of messages to what is written: readings, rejections."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, field

from ingest.decode import Sample, decode
from ingest.message import Message
from ingest.quality import plausibility
from ingest.routes import Router
from service.store import Flag, Reading
from service.tanks.values import Rejection


@dataclass(slots=True)
class Batch:
    """What one batch of messages became."""

    readings: list[Reading] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)


class Pipeline:
    """Decodes, stamps and judges; used by one thread."""

    def __init__(self, router: Router, tanks: Container[str]) -> None:
        self._router = router
        self._tanks = tanks
        self._last_arrival_us: dict[str, int] = {}

    def process(self, messages: Sequence[Message]) -> Batch:
        """Turn messages into readings and rejections, in their order."""
        batch = Batch()
        for message in messages:
            decoded = decode(message, self._router.targets(message.topic), self._tanks)
            for sample in decoded.samples:
                batch.readings.append(self._reading(sample, message))
            batch.rejections.extend(decoded.rejections)
        return batch

    def _reading(self, sample: Sample, message: Message) -> Reading:
        flags = sample.doubt | plausibility(sample.quantity, sample.value)
        if message.retain:
            flags |= Flag.RETAINED
        time_us = message.arrival_us if sample.time_us is None else sample.time_us
        return Reading(
            sample.tank, sample.quantity, sample.sensor, time_us, sample.value, Flag(flags)
        )
