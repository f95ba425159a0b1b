"""Readings over HTTP into the store, by the processor that MQTT uses."""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from typing import Any, Final

from ingest.process import (
    Arrival,
    ClockLimits,
    Message,
    Outcome,
    Processor,
    Record,
    ReferenceData,
    RouteOptions,
    SensorLimits,
    Target,
    decode,
    decode_records,
    record_clocks,
)
from service.api.context import Context
from service.errors import LittoralError
from service.registry.models.ingest import Rejection
from service.times import format_moment, to_us

SOURCE: Final = "http"
_RECORD: Final = RouteOptions(SOURCE)
_PACK: Final = RouteOptions(SOURCE, "senml")
_REFERENCE_AGE_S: Final = 1.0


class Intake:
    """Stores the readings of one process's HTTP clients; safe to call from several threads.

    The ingester and other processes may write the same series: what is remembered of one is then
    read from the store again.
    """

    def __init__(self, context: Context) -> None:
        """Prepare for a store and a registry."""
        ingest = context.config.ingest
        self._context = context
        self._reference = ReferenceData(context.registry)
        self._processor = Processor(
            lambda: self._reference.calibrations,
            ClockLimits.of_seconds(ingest.late_after_s, ingest.future_s),
            context.store,
            sensors=SensorLimits(ingest.sensors_per_tank, ingest.new_sensors_per_hour),
            known_clocks=lambda: self._reference.clocks,
            thermometers=self._reference.thermometers,
            written_by_others=True,
            warm_up_s=math.inf,
        )
        self._lock = threading.Lock()

    def message(self, tank: str, payload: bytes) -> Message:
        """A request body as a message that arrives now."""
        return Message(f"{SOURCE}/{tank}", payload, to_us(self._context.clock.now()))

    def store(self, arrivals: Sequence[Arrival]) -> list[Outcome]:
        """Process and store what arrived; rejections are recorded and counted.

        Returns:
            What became of each sample in order, and after those of an arrival its rejections.

        Raises:
            StoreUnavailableError, StoreRefusedError: as the store finds; nothing counts as stored.
        """
        with self._lock:
            self._reference.refresh(at_least_s=_REFERENCE_AGE_S)
            processed = self._processor.process(arrivals)
            try:
                if processed.readings:
                    self._context.store.write(processed.readings)
            except LittoralError:
                self._processor.forget(arrivals)
                raise
            record_clocks(self._processor.clocks, self._context.registry)
        most = self._context.config.ingest.rejections_kept
        self._context.registry.add_rejections(processed.rejections, keep=most)
        return processed.outcomes


def arrival_of_record(message: Message, tank: str, record: dict[str, Any]) -> Arrival:
    """One reading of a JSON body: an arrival by itself.

    Args:
        record: ``quantity``, ``value`` and, as far as given, ``unit``, ``time``, ``sensor``.
    """
    time = record.get("time")
    parsed = Record(
        record["value"],
        record.get("unit"),
        None if time is None else format_moment(time),
        quantity=record["quantity"],
        sensor=record.get("sensor"),
    )
    target = Target(_RECORD, tank, None, None)
    decoded = decode_records((parsed,), message, target, (tank,))
    return Arrival(message, decoded.samples, decoded.rejections, SOURCE)


def arrival_of_pack(message: Message, tank: str) -> Arrival:
    """A SenML pack: one arrival, as over MQTT."""
    target = Target(_PACK, tank, None, None)
    decoded = decode(message, (target,), (tank,))
    return Arrival(message, decoded.samples, decoded.rejections, SOURCE)


def arrival_of_rejection(message: Message, rejected: Rejection) -> Arrival:
    """A record that is no reading."""
    return Arrival(message, (), (rejected,), SOURCE)
