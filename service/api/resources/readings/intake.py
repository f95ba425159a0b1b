"""Readings that come over HTTP: the same conversion, calibration and doubts as over MQTT."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from ingest.decode.decoder import Sample, decode
from ingest.decode.message import Message, PayloadError, excerpt
from ingest.decode.routes import DEFAULT_SENSOR, Target, sensor_name
from ingest.decode.units import scale_of, scaled
from ingest.process.device_clock import StampLimits
from ingest.process.quality import Judge
from ingest.process.reference_data import Catalogue
from service.api.context import Context
from service.errors import LittoralError
from service.registry.models import Rejection
from service.store import Flag, Reading, Samples, SeriesKey
from service.times import from_us, to_us

SOURCE: Final = "http"
_CATALOGUE_AGE_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one record.

    Attributes:
        reading: as it is kept; None where it was rejected.
        again: it was there already and nothing was changed.
        reason, detail: why it was rejected.
    """

    reading: Reading | None = None
    again: bool = False
    reason: str = ""
    detail: str = ""


class Intake:
    """Takes readings of one process's HTTP clients; safe to call from several threads.

    What it remembers of a series is read from the store at its first reading, and anew whenever
    the ingester or another process has written to it: verdicts are those of one memory.
    """

    def __init__(self, context: Context) -> None:
        ingest = context.config.ingest
        self._context = context
        self._catalogue = Catalogue(context.registry)
        limits = StampLimits(int(ingest.late_after_s * 1e6), int(ingest.future_s * 1e6))

        def history(key: SeriesKey, start_us: int, end_us: int) -> Samples:
            return context.store.read(key, start_us, end_us, flagged=True)

        self._judge = Judge(limits, history, context.store.time_resolution_us)
        self._lock = threading.Lock()

    def take(self, tank: str, records: Sequence[dict[str, Any] | Outcome]) -> list[Outcome]:
        """Keep records of one tank.

        Args:
            records: ``quantity``, ``value`` and, as far as given, ``unit``, ``time``, ``sensor``;
                or the outcome of what could not be read.

        Raises:
            StoreUnavailableError, StoreRefusedError: as the store finds; nothing counts as kept.
        """
        arrival_us = to_us(self._context.clock.now())
        samples: list[Sample | Outcome] = []
        for record in records:
            samples.append(record if isinstance(record, Outcome) else _sample(tank, record))
        return self._keep(samples, arrival_us)

    def take_pack(self, tank: str, payload: bytes) -> list[Outcome]:
        """Keep a SenML pack of one tank, in order of time; then what was rejected.

        Raises:
            StoreUnavailableError, StoreRefusedError: as the store finds.
        """
        arrival_us = to_us(self._context.clock.now())
        message = Message(f"{SOURCE}/{tank}", payload, arrival_us)
        target = Target(SOURCE, tank, None, None, "senml")
        decoded = decode(message, (target,), (tank,))
        rejected = [
            Outcome(reason=one.reason_code, detail=one.detail) for one in decoded.rejections
        ]
        return self._keep([*decoded.samples, *rejected], arrival_us)

    def note_rejections(self, tank: str, outcomes: Sequence[Outcome], payload: bytes) -> None:
        """Count and keep what was rejected, so that the owner of the sensor can see it."""
        now = self._context.clock.now()
        found = [
            Rejection(
                now, f"{SOURCE}/{tank}", excerpt(payload), one.reason, one.detail, SOURCE, tank
            )
            for one in outcomes
            if one.reading is None
        ]
        kept = self._context.config.ingest.rejections_kept
        self._context.registry.add_rejections(found, keep=kept)

    def _keep(self, samples: Sequence[Sample | Outcome], arrival_us: int) -> list[Outcome]:
        with self._lock:
            self._catalogue.refresh(at_least_s=_CATALOGUE_AGE_S)
            self._judge.begin_batch()
            keys = {
                SeriesKey(one.tank, one.quantity, one.sensor)
                for one in samples
                if isinstance(one, Sample)
            }
            for key in keys:
                newest = self._context.store.latest(key, flagged=True)
                self._judge.follow(key, None if newest is None else newest.time_us)
            written: list[Reading] = []
            outcomes = [
                one if isinstance(one, Outcome) else self._judged(one, arrival_us, written)
                for one in samples
            ]
            try:
                if written:
                    self._context.store.write(written)
            except LittoralError:
                for key in keys:
                    self._judge.forget(key)
                raise
        return outcomes

    def _judged(self, sample: Sample, arrival_us: int, written: list[Reading]) -> Outcome:
        tank, quantity, sensor, value, unit, time_us, flags = sample
        raw = None
        calibrations = self._catalogue.calibrations
        if unit is not None or calibrations.concern(sample):
            try:
                value, raw, doubt = calibrations.apply(sample, time_us or arrival_us)
            except PayloadError as error:
                return Outcome(reason=error.reason, detail=error.detail)
            flags |= doubt
        key = SeriesKey(tank, quantity, sensor)
        if time_us is not None:
            there = self._there(key, time_us)
            if there is not None and there.value == value:
                return Outcome(there, again=True)
        wrong = time_us is not None and self._judge.clock_is_wrong(
            tank, quantity, sensor, time_us, arrival_us
        )
        if time_us is None or wrong:
            flags |= Flag.CLOCK if wrong else Flag.NONE
            stamp_us = self._judge.arrival_time_us(tank, quantity, sensor, arrival_us)
        else:
            stamp_us = time_us
        reading = Reading(tank, quantity, sensor, stamp_us, value, flags, raw)
        judged = self._judge.judge(reading, arrival_us, from_device=time_us == stamp_us)
        written.append(judged.reading)
        written.extend(judged.corrected)
        if quantity == "temperature":
            calibrations.note_temperature(tank, stamp_us, value)
        return Outcome(judged.reading)

    def _there(self, key: SeriesKey, time_us: int) -> Reading | None:
        store = self._context.store
        found = store.read(key, time_us, time_us + store.time_resolution_us, flagged=True)
        if not len(found):
            return None
        value, flags = float(found.value[0]), Flag(int(found.flags[0]))
        return Reading(key.tank, key.quantity, key.sensor, int(found.time_us[0]), value, flags)


def _sample(tank: str, record: dict[str, Any]) -> Sample | Outcome:
    quantity = record["quantity"]
    sensor = record.get("sensor")
    time: datetime | None = record.get("time")
    try:
        scale = scale_of(quantity, record.get("unit"))
        value = scaled(scale, record["value"])
    except PayloadError as error:
        return Outcome(reason=error.reason, detail=error.detail)
    return Sample(
        tank,
        quantity,
        DEFAULT_SENSOR if sensor is None else sensor_name(sensor),
        value,
        scale.raw,
        None if time is None else to_us(time),
    )


def time_of(reading: Reading) -> datetime:
    """When a reading was measured."""
    return from_us(reading.time_us)
