"""Where a batch goes: readings into the store, rejections into the registry, or the spool."""

from __future__ import annotations

import json
import logging
import random
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

from ingest.decode.message import Reason
from ingest.deliver.buffered_writer import Lane, Place
from ingest.deliver.spool import Spool, SpoolFullError
from service.clock import Clock
from service.registry.models import Rejection
from service.registry.registry import Registry
from service.store import Flag, Reading, Store
from service.times import from_us, to_us

_log = logging.getLogger(__name__)
_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 5.0


class Delivery:
    """Keeps batches; ``commit`` from one thread."""

    def __init__(
        self, store: Store, registry: Registry, spool: Spool, clock: Clock, rejections_kept: int
    ) -> None:
        self._clock = clock

        def add_rejections(rejections: Sequence[Rejection]) -> None:
            registry.add_rejections(rejections, keep=rejections_kept)

        def refuse_rejections(refused: Sequence[tuple[Rejection, str]]) -> None:
            for rejection, why in refused:
                _log.error("a rejection of %s cannot be recorded: %s", rejection.topic, why)

        def started() -> float | None:
            return store.health().numbers.get("started_s")

        self.rejections = Lane(
            Place(
                "rejections",
                add_rejections,
                encode_rejections,
                decode_rejections,
                refuse_rejections,
            ),
            spool,
            clock,
        )
        self.readings = Lane(
            Place(
                "readings",
                store.write,
                encode_readings,
                decode_readings,
                self._refuse,
                store.durable_after_s,
                started,
            ),
            spool,
            clock,
        )
        self.spool_error = ""

    def commit(
        self,
        readings: Sequence[Reading],
        rejections: Sequence[Rejection],
        prepare: Callable[[], None],
        held: threading.Event,
        give_up: threading.Event,
    ) -> bool:
        """Keep both; returns only when they are safe.

        Args:
            prepare: called before each attempt.
            held: set while nothing can be kept.
            give_up: set: do not try again.

        Returns:
            False if it gave up: then nothing may be acknowledged.
        """
        wait_s = _FIRST_WAIT_S
        done = False
        while True:
            prepare()
            try:
                if not done:
                    self.readings.commit(readings)
                    done = True
                self.rejections.commit(rejections)
            except SpoolFullError as error:
                if str(error) != self.spool_error:
                    _log.error("nothing is acknowledged until there is room: %s", error)
                self.spool_error = str(error)
                held.set()
                if give_up.wait(wait_s * random.uniform(0.5, 1.0)):
                    return False
                wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
            else:
                self.spool_error = ""
                held.clear()
                return True

    def _refuse(self, refused: Sequence[tuple[Reading, str]]) -> None:
        """Record the readings that the store refuses for good."""
        now = self._clock.now()
        self.rejections.commit([_refusal(reading, why, now) for reading, why in refused])


def _refusal(reading: Reading, why: str, now: datetime) -> Rejection:
    return Rejection(
        now,
        f"{reading.tank}/{reading.quantity}/{reading.sensor}",
        f"{reading.value!r} at {from_us(reading.time_us).isoformat()}",
        Reason.STORE_REFUSED.value,
        why,
        "store",
        reading.tank,
    )


def encode_readings(readings: Sequence[Reading]) -> bytes:
    """For the spool: compact JSON; floats come back exactly."""
    rows = [
        (r.tank, r.quantity, r.sensor, r.time_us, r.value, int(r.flags), r.raw) for r in readings
    ]
    return json.dumps(rows, separators=(",", ":")).encode()


def decode_readings(body: bytes) -> list[Reading]:
    """The inverse of ``encode_readings``."""
    return [
        Reading(tank, quantity, sensor, time_us, value, Flag(flags), raw)
        for tank, quantity, sensor, time_us, value, flags, raw in json.loads(body)
    ]


def encode_rejections(rejections: Sequence[Rejection]) -> bytes:
    """For the spool."""
    rows = [
        (
            to_us(r.time),
            r.topic,
            r.payload_excerpt,
            r.reason_code,
            r.detail,
            r.source,
            r.tank,
        )
        for r in rejections
    ]
    return json.dumps(rows, separators=(",", ":")).encode()


def decode_rejections(body: bytes) -> list[Rejection]:
    """The inverse of ``encode_rejections``."""
    return [Rejection(from_us(time_us), *texts) for time_us, *texts in json.loads(body)]
