"""The ingester: receive, decode, process, commit, acknowledge; start and stop cleanly."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final

from ingest.decode.decoder import Decoder
from ingest.decode.message import Message
from ingest.decode.route_table import RoutesInUse, routes_in_use
from ingest.decode.routes import Router
from ingest.deliver.committer import Committer
from ingest.deliver.in_work import InWork
from ingest.deliver.spool import Spool
from ingest.process import (
    ClockLimits,
    Processed,
    Processor,
    ReferenceData,
    SensorLimits,
    record_clocks,
)
from ingest.receive.connection import LAST_PACKETS_S, Connection
from ingest.receive.queue import MessageQueue
from ingest.status import what_matters
from service.clock import Clock
from service.config import Config
from service.registry.models.ingest import StoredRoute
from service.registry.registry import Registry
from service.registry.status_report import StatusReport
from service.store import Store
from service.times import format_moment, from_us

_log = logging.getLogger(__name__)
#: How often it is looked at whether the status is to be written, s.
STATUS_EVERY_S: Final = 2.0
#: How long a batch that cannot be committed may delay the end, s.
STOP_PATIENCE_S: Final = 10.0
#: How long the spool may take to be sent at the end, s; what is left is sent at the next start.
FLUSH_PATIENCE_S: Final = 5.0
#: How long the end may take at worst, s: the batch, the last packets, readings and rejections.
ENDS_WITHIN_S: Final = STOP_PATIENCE_S + LAST_PACKETS_S + 2 * FLUSH_PATIENCE_S
_TICK_S: Final = 0.2
#: One that leaves ends when nothing has come for so long, s.
_QUIET_S: Final = 5.0


class Ingester:
    """Stores the broker's messages as readings, each exactly once."""

    def __init__(
        self,
        config: Config,
        store: Store,
        registry: Registry,
        clock: Clock,
        *,
        leaving: bool = False,
    ) -> None:
        """Prepare everything; nothing is connected yet.

        Args:
            leaving: give up all subscriptions, take what the broker still has for this client,
                and end.

        Raises:
            ConfigError: a route, the broker's address or a certificate file is wrong.
        """
        self._config = config
        self._registry = registry
        self._clock = clock
        ingest = config.ingest
        router = Router(config.mqtt.prefix, config.routes, config.sensors)
        self._stored_routes: Sequence[StoredRoute] = ()
        self._routes = RoutesInUse(config.routes, {})
        self._queue = MessageQueue(ingest.batch_size, ingest.batch_age_s, ingest.max_inflight)
        self._reference = ReferenceData(registry)
        self._spool = Spool(Path(ingest.spool_path), ingest.spool_max_mb)
        self._in_work = InWork(self._spool)
        self._committer = Committer(
            store,
            registry,
            self._spool,
            clock,
            most_rejections=ingest.rejections_kept,
            max_inflight=ingest.max_inflight,
        )
        self._connection = Connection(
            config.mqtt,
            ingest,
            router.filters(),
            self._queue,
            clock,
            self._spool,
            lambda: self._committer.is_stalled,
        )
        self._decoder = Decoder(router, self._reference, self._committer.first_delivery)
        self._processor = Processor(
            lambda: self._reference.calibrations,
            ClockLimits.of_seconds(ingest.late_after_s, ingest.future_s),
            store,
            sensors=SensorLimits(ingest.sensors_per_tank, ingest.new_sensors_per_hour),
            known_clocks=lambda: self._reference.clocks,
            thermometers=self._reference.thermometers,
        )
        self._stop_reading = threading.Event()
        self._disconnect = threading.Event()
        self._stop_writing = threading.Event()
        self._failed: BaseException | None = None
        self._last_commit = ""
        self._leaving = leaving
        self._came = (-1, 0.0)
        if leaving:
            self._connection.subscribe_to([])

    @property
    def name(self) -> str:
        """Name of the status row."""
        return f"ingest:{self._config.mqtt.client_id}"

    @property
    def stored(self) -> int:
        """How many readings are committed, to the store or the spool; cheap."""
        return self._committer.readings.accepted

    def run(self, stop: threading.Event) -> None:
        """Work until ``stop`` is set, then commit, acknowledge and disconnect.

        Raises:
            Exception: whatever ended one of the threads; nothing unacknowledged is lost.
        """
        network = self._thread("ingest-network", self._receive)
        writer = self._thread("ingest-writer", self._write)
        status = self._thread("ingest-status", self._publish_status)
        writers = self._committer.writers
        drains = [
            self._thread(f"ingest-{one.kind}", partial(one.drain, self._stop_writing))
            for one in writers
        ]
        while not stop.wait(_TICK_S) and self._failed is None:
            if self._leaving and self._has_all():
                break
        self._stop_reading.set()
        self._queue.close()
        writer.join(STOP_PATIENCE_S)
        self._committer.give_up()
        writer.join()
        self._disconnect.set()
        network.join()
        for one in writers:
            one.flush(FLUSH_PATIENCE_S)
        self._stop_writing.set()
        for one in writers:
            one.wake()
        for thread in (status, *drains):
            thread.join()
        self._in_work.close()
        self._spool.close()
        if self._failed is not None:
            raise self._failed

    def _has_all(self) -> bool:
        """Whether the broker has sent nothing for a while, and all is stored."""
        connection, now_s = self._connection, time.monotonic()
        busy = not connection.connected or len(self._queue) or self._spool.depth("readings").items
        if busy or connection.arrivals.received != self._came[0]:
            self._came = (connection.arrivals.received, now_s)
        return now_s - self._came[1] >= _QUIET_S

    def status(self) -> dict[str, Any]:
        """How it is now, for the status row, ``/readyz`` and ``/metrics``."""
        connection, committer = self._connection, self._committer
        depth = self._spool.depth("readings")
        oldest = None if depth.oldest_us is None else format_moment(from_us(depth.oldest_us))
        aside = self._spool.aside.count()
        errors = (
            connection.same_client_id.fault or connection.last_error,
            connection.subscriptions.refused,
            *committer.errors,
            *self._reference.calibrations.faults,
            *(f"route {id} is not used: {said}" for id, said in self._routes.left_out.items()),
            f"{aside} taken aside into {self._spool.aside.folder}: see the log" if aside else "",
        )
        return {
            "time": format_moment(self._clock.now()),
            "connected": connection.connected,
            "subscribed": connection.connected and connection.subscriptions.complete,
            "received": connection.arrivals.received,
            "acknowledged": connection.acknowledged,
            "dropped_qos0": connection.arrivals.dropped_qos0,
            "too_large": connection.too_large,
            "waiting": len(self._queue),
            "stored": self.stored,
            "rejected": committer.rejections.accepted,
            "last_write": committer.readings.last_write,
            "spool": {
                "readings": depth.items,
                "rejections": self._spool.depth("rejections").items,
                "oldest": oldest,
            },
            "aside": aside,
            "last_commit": self._last_commit,
            "stalled": committer.is_stalled,
            "errors": [error for error in errors if error],
        }

    def _receive(self) -> None:
        self._connection.run(self._stop_reading, self._disconnect)

    def _write(self) -> None:
        while not self._reference.refresh(at_least_s=0.0):
            if self._stop_reading.wait(1.0):
                return
        self._use_routes()
        while True:
            messages = self._queue.take(_TICK_S)
            if messages:
                self._reference.refresh()
                if not self._store(messages):
                    return
            elif self._stop_reading.is_set() and not len(self._queue):
                return
            else:
                self._reference.refresh()
            self._use_routes()

    def _use_routes(self) -> None:
        """Take over the routes of the registry, if they have changed."""
        stored = self._reference.routes
        if stored is None or stored == self._stored_routes or self._leaving:
            return
        self._stored_routes = stored
        self._routes = routes_in_use(self._config.routes, stored)
        router = Router(self._config.mqtt.prefix, self._routes.routes, self._config.sensors)
        self._decoder.use(router)
        self._connection.subscribe_to(router.filters())

    def _store(self, messages: Sequence[Message]) -> bool:
        """Process, commit and acknowledge a batch; False if it gave up."""
        batch = Processed()
        done: list[Message] = []
        for portion in self._in_work.portions(messages):
            part = self._processed(portion)
            if part is not None:
                # A second copy of a message may be in the next portion.
                self._committer.remember(part.first_deliveries)
                batch.add(part)
                done += portion
        if not self._committer.commit(batch):
            return False
        self._last_commit = format_moment(self._clock.now())
        self._queue.acknowledging()
        self._connection.acknowledge(done)
        return True

    def _processed(self, messages: Sequence[Message]) -> Processed | None:
        """What becomes of messages; None of one that cannot even be taken aside now."""
        try:
            rejected = self._in_work.fatal(messages)
        except OSError as error:
            _log.error("a message that ends the ingester cannot be taken aside: %s", error)
            return None
        if rejected is not None:
            return Processed(rejections=[rejected])
        with self._in_work.noted(messages):
            return self._processor.process(self._decoder.decode(messages))

    def _publish_status(self) -> None:
        report = StatusReport(self.name, self._registry, what_matters)
        next_s = 0.0
        while True:
            last = self._stop_writing.wait(_TICK_S)
            if last or time.monotonic() >= next_s:
                next_s = time.monotonic() + STATUS_EVERY_S
                record_clocks(self._processor.clocks, self._registry)
                report.put(self.status(), last=last)
            if last:
                return

    def _thread(self, name: str, work: Callable[[], None]) -> threading.Thread:
        def guarded() -> None:
            try:
                work()
            except BaseException as error:  # noqa: BLE001 - raised again by run()
                _log.exception("%s ended", name)
                self._failed = error

        thread = threading.Thread(target=guarded, name=name, daemon=True)
        thread.start()
        return thread
