"""The process: connect, batch, commit, acknowledge, stop cleanly."""

from __future__ import annotations

import logging
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any, Final

from ingest.decode.routes import Router
from ingest.deliver.delivery import Delivery
from ingest.deliver.spool import Spool, SpoolFullError
from ingest.process.dedupe import Journal
from ingest.process.device_clock import StampLimits
from ingest.process.processor import Pipeline
from ingest.process.quality import Judge
from ingest.process.reference_data import Catalogue
from ingest.receive.connection import Broker
from ingest.receive.queue import Inbox
from service.clock import Clock
from service.config import Config
from service.errors import LittoralError
from service.registry.registry import Registry
from service.store import Samples, SeriesKey, Store
from service.times import from_us, to_us

_log = logging.getLogger(__name__)
#: How often the status row is written, s.
STATUS_EVERY_S: Final = 2.0
#: How long a batch that nobody takes may delay the end, s.
STOP_PATIENCE_S: Final = 10.0
#: How long the spool may take to be sent at the end, s; what is left is sent at the next start.
FLUSH_PATIENCE_S: Final = 5.0
_TICK_S: Final = 0.2


class Ingester:
    """Takes messages from the broker and keeps them in the store, each exactly once."""

    def __init__(self, config: Config, store: Store, registry: Registry, clock: Clock) -> None:
        """Prepare everything; nothing is connected yet.

        Raises:
            ConfigError: a route, the broker's address or a certificate file is wrong.
        """
        self._config = config
        self._registry = registry
        self._clock = clock
        router = Router(config.mqtt.prefix, config.routes)
        ingest = config.ingest
        self._inbox = Inbox(ingest.batch_size, ingest.batch_age_s, ingest.max_inflight)
        self._catalogue = Catalogue(registry)
        self._spool = Spool(Path(ingest.spool_path), ingest.spool_max_mb)
        self._broker = Broker(
            config.mqtt, ingest, router.filters(), self._inbox, clock, self._spool
        )
        self._journal = Journal(self._spool, ingest.max_inflight)
        limits = StampLimits(int(ingest.late_after_s * 1e6), int(ingest.future_s * 1e6))

        def history(key: SeriesKey, start_us: int, end_us: int) -> Samples:
            return store.read(key, start_us, end_us, flagged=True)

        self._pipeline = Pipeline(
            router,
            self._catalogue,
            self._catalogue.calibrations,
            Judge(limits, history, store.time_resolution_us),
            self._journal,
        )
        self._delivery = Delivery(store, registry, self._spool, clock, ingest.rejections_kept)
        self._journal_error = ""
        self._stop_reading = threading.Event()
        self._give_up = threading.Event()
        self._finish = threading.Event()
        self._gone = threading.Event()
        self._failed: BaseException | None = None
        self._last_commit = ""

    @property
    def name(self) -> str:
        """Name of the status row."""
        return f"ingest:{self._config.mqtt.client_id}"

    @property
    def stored(self) -> int:
        """How many readings are kept, in the store or in the spool; cheap."""
        return self._delivery.readings.committed

    def run(self, stop: threading.Event) -> None:
        """Work until ``stop`` is set, then commit, acknowledge and disconnect.

        Raises:
            Exception: whatever ended one of the threads; nothing unacknowledged is lost.
        """
        network = self._thread("ingest-network", self._receive)
        writer = self._thread("ingest-writer", self._write)
        status = self._thread("ingest-status", self._tell)
        lanes = (self._delivery.readings, self._delivery.rejections)
        drains = [
            self._thread(f"ingest-{lane.kind}", partial(lane.drain, self._gone)) for lane in lanes
        ]
        while not stop.wait(_TICK_S) and self._failed is None:
            continue
        self._stop_reading.set()
        self._inbox.close()
        writer.join(STOP_PATIENCE_S)
        self._give_up.set()
        writer.join()
        self._finish.set()
        network.join()
        for lane in lanes:
            lane.flush(FLUSH_PATIENCE_S)
        self._gone.set()
        for lane in lanes:
            lane.wake()
        for thread in (status, *drains):
            thread.join()
        self._spool.close()
        if self._failed is not None:
            raise self._failed

    def status(self) -> dict[str, Any]:
        """How it is now, for the status row, ``/readyz`` and ``/metrics``."""
        broker, delivery = self._broker, self._delivery
        depth = self._spool.depth("readings")
        errors = (
            broker.last_error,
            broker.subscriptions.refused,
            delivery.readings.last_error,
            delivery.rejections.last_error,
            delivery.spool_error,
            self._journal_error,
            *self._catalogue.calibrations.faults,
        )
        return {
            "time": _rfc3339(to_us(self._clock.now())),
            "connected": broker.connected,
            "subscribed": broker.connected and broker.subscriptions.complete,
            "received": broker.received,
            "acknowledged": broker.acknowledged,
            "dropped_qos0": broker.dropped_qos0,
            "waiting": len(self._inbox),
            "stored": self.stored,
            "rejected": delivery.rejections.committed,
            "last_write": delivery.readings.last_write,
            "spool": {
                "readings": depth.items,
                "rejections": self._spool.depth("rejections").items,
                "oldest": None if depth.oldest_us is None else _rfc3339(depth.oldest_us),
            },
            "last_commit": self._last_commit,
            "held": broker.held.is_set(),
            "errors": [error for error in errors if error],
        }

    def _receive(self) -> None:
        self._broker.run(self._stop_reading, self._finish)

    def _write(self) -> None:
        while not self._catalogue.refresh(at_least_s=0.0):
            if self._stop_reading.wait(1.0):
                return
        while True:
            messages = self._inbox.take(_TICK_S)
            if messages:
                self._catalogue.refresh()
                batch = self._pipeline.process(messages)
                if not self._delivery.commit(
                    batch.readings,
                    batch.rejections,
                    self._write_journal,
                    self._broker.held,
                    self._give_up,
                ):
                    return
                self._last_commit = _rfc3339(to_us(self._clock.now()))
                self._broker.acknowledge(messages)
            elif self._stop_reading.is_set():
                return

    def _write_journal(self) -> None:
        """Remember what was taken; without it a second delivery might count twice."""
        try:
            self._journal.write()
        except SpoolFullError as error:
            if not self._journal_error:
                _log.error("the journal cannot be written, going on without: %s", error)
            self._journal_error = str(error)
        else:
            self._journal_error = ""

    def _tell(self) -> None:
        next_s = 0.0
        while True:
            last = self._gone.wait(_TICK_S)
            if last or time.monotonic() >= next_s:
                next_s = time.monotonic() + STATUS_EVERY_S
                try:
                    self._registry.put_status(self.name, self.status())
                except LittoralError as error:
                    _log.warning("the status cannot be told: %s", error.detail)
            if last:
                return

    def _thread(self, name: str, work: Any) -> threading.Thread:
        def guarded() -> None:
            try:
                work()
            except BaseException as error:  # noqa: BLE001 - told by run(), which raises it
                _log.exception("%s ended", name)
                self._failed = error

        thread = threading.Thread(target=guarded, name=name, daemon=True)
        thread.start()
        return thread


def _rfc3339(time_us: int) -> str:
    return from_us(time_us).isoformat().replace("+00:00", "Z")
