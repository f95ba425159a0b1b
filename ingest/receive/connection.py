"""Connection to the broker: one thread reads messages, queues and acknowledges them."""

from __future__ import annotations

import json
import logging
import random
import select
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

from ingest.decode.message import Message
from ingest.receive.arrivals import Arrivals
from ingest.receive.queue import MessageQueue
from ingest.receive.subscriptions import Notes, Subscriptions
from service.clock import Clock
from service.config import IngestConfig, MqttConfig
from service.mqtt.connection import Will, receiving_client
from service.mqtt.fast_reading import has_pending_bytes
from service.mqtt.same_client_id import SameClientId
from service.times import format_moment
from service.urls import redacted

_log = logging.getLogger(__name__)
#: Stands for a topic that paho cannot decode, and cannot be decoded either.
_NOT_UTF8: Final = b"\xff"

#: Waiting times between attempts to connect, s: doubled from the first to the last, with jitter.
_FIRST_WAIT_S: Final = 0.5
_LONGEST_WAIT_S: Final = 30.0
#: Packets read before acknowledgements are sent and pings handled.
_BURST: Final = 200
_MISC_EVERY_S: Final = 0.5
#: How often the state is published again, s: what others wrote there does not last.
_STATUS_EVERY_S: Final = 60.0
#: How long the last packets may take to be sent, s.
LAST_PACKETS_S: Final = 5.0


class Connection:
    """Receives messages into a queue and acknowledges those that are committed.

    Nothing is acknowledged on a connection other than the one that brought it: after a
    reconnect the broker sends it again.
    """

    def __init__(
        self,
        mqtt_config: MqttConfig,
        ingest_config: IngestConfig,
        filters: Sequence[str],
        queue: MessageQueue,
        clock: Clock,
        notes: Notes,
        is_stalled: Callable[[], bool],
    ) -> None:
        """Prepare the client; nothing is connected yet.

        Args:
            filters: to subscribe to.
            notes: remember over restarts what the session at the broker has subscribed.
            is_stalled: whether nothing can be committed; reading then goes on without queueing.

        Raises:
            ConfigError: the address or a certificate file is wrong.
        """
        self._config = mqtt_config
        self._queue = queue
        self._is_stalled = is_stalled
        self._clock = clock
        self.status_topic = f"{mqtt_config.prefix}/$ingest/{mqtt_config.client_id}"
        self.connected = False
        self.arrivals = Arrivals(queue, clock)
        self.acknowledged = 0
        self.last_error = ""
        self.same_client_id = SameClientId(mqtt_config.client_id)
        self._refused = False
        self._misc_s = 0.0
        self._status_s = 0.0
        self._acks: deque[tuple[int, int]] = deque()
        self._filters_to_come: deque[Sequence[str]] = deque()
        self._wake_r, self._wake_w = socket.socketpair()
        for end in (self._wake_r, self._wake_w):
            end.setblocking(False)
        self._client = receiving_client(
            mqtt_config,
            ingest_config.max_inflight,
            will=Will(self.status_topic, self._status("lost")),
        )
        self.subscriptions = Subscriptions(
            self._client, filters, mqtt_config, ingest_config.shared_group, notes
        )
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        # Those without properties come here at once.
        self._client.on_plain = self.arrivals.receive
        self._client.on_too_large = self.arrivals.receive_too_large

    @property
    def too_large(self) -> int:
        """Packets that were too large."""
        return self._client.too_large

    # -- called by the writer

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages that are committed; the network thread sends it."""
        self._acks.extend([(m.connection, m.mid) for m in messages if m.qos])
        self._wake()

    def subscribe_to(self, filters: Sequence[str]) -> None:
        """Want other topics from now on; the network thread subscribes."""
        self._filters_to_come.append(filters)
        self._wake()

    # -- the network thread

    def run(self, stop_reading: threading.Event, finish: threading.Event) -> None:
        """Stay connected, receive and acknowledge.

        Args:
            stop_reading: set: receive no more messages, only acknowledge.
            finish: set: send the last acknowledgements, disconnect, return.
        """
        wait_s = 0.0
        while not finish.is_set():
            if self._client.socket() is None:
                # Also after a connection that ended at once: a broker must not be hammered.
                stop_reading.wait(wait_s * random.uniform(0.5, 1.0))
                if stop_reading.is_set():
                    break
                wait_s = min(max(2 * wait_s, _FIRST_WAIT_S), _LONGEST_WAIT_S)
                self._connect()
                continue
            self._step(reading=not stop_reading.is_set())
            if self.connected:
                wait_s = _FIRST_WAIT_S
        self._leave()

    def _connect(self) -> None:
        self._change_filters()
        self.arrivals.begin_connection()
        self._acks.clear()
        self._refused = False
        self._misc_s = time.monotonic()
        try:
            self._client.reconnect()
        except (OSError, ssl.SSLError) as error:
            self.same_client_id.unreachable()
            self.last_error = f"{self._config.url.rpartition('@')[2]}: {error}"
            _log.warning("the broker cannot be reached: %s", self.last_error)

    def _step(self, *, reading: bool) -> None:
        """Wait for packets or acknowledgements, handle them once."""
        client = self._client
        sock: Any = client.socket()
        room = reading and (self._queue.has_room or self._is_stalled())
        # While the handshake lasts there is nothing but it to read.
        wants_read = room or not self.connected
        pending = wants_read and has_pending_bytes(client, sock)
        readers = [sock, self._wake_r] if wants_read else [self._wake_r]
        writers = [sock] if client.want_write() else []
        ready, writable, _ = select.select(readers, writers, [], 0 if pending else _MISC_EVERY_S)
        if self._wake_r in ready:
            self._drain_wake()
        if self._acks:
            self._send_acks()
        self._change_filters()
        if sock in ready or pending:
            self._read()
        if (writable or client.want_write()) and client.socket() is not None:
            client.loop_write()
        if time.monotonic() - self._misc_s >= _MISC_EVERY_S and client.socket() is not None:
            self._misc_s = time.monotonic()
            client.loop_misc()
            if self.connected and time.monotonic() - self._status_s >= _STATUS_EVERY_S:
                self._publish_online()
            if self.arrivals.missed and self._queue.has_room and not self._is_stalled():
                self._fetch_missed()

    def _read(self) -> None:
        client, queue, arrivals = self._client, self._queue, self.arrivals
        for _ in range(_BURST):
            before = arrivals.received
            if client.read_packet() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
            if arrivals.received == before or not queue.has_room:
                break
        queue.notify()

    def _change_filters(self) -> None:
        while self._filters_to_come:
            self.subscriptions.change(self._filters_to_come.popleft())

    def _send_acks(self) -> None:
        client, acks, current = self._client, self._acks, self.arrivals.connection
        sent = 0
        while acks:
            connection, mid = acks.popleft()
            if connection == current and self.connected:
                client.ack(mid, 1)
                sent += 1
        self.acknowledged += sent

    def _fetch_missed(self) -> None:
        """Reconnect after messages that could not be queued: the broker sends them again."""
        _log.info("reconnecting to fetch messages that found no room")
        self._client.disconnect()
        self._client.loop_write()

    def _leave(self) -> None:
        """Send the last acknowledgements, publish the state ``offline``, disconnect."""
        client = self._client
        if client.socket() is not None and self.connected:
            self._send_acks()
            client.publish(self.status_topic, self._status("offline"), qos=0, retain=True)
            client.disconnect()
            end_s = time.monotonic() + LAST_PACKETS_S
            while (sock := client.socket()) is not None and client.want_write():
                if time.monotonic() > end_s:
                    break
                select.select([], [sock], [], 0.5)
                client.loop_write()
        self.connected = False
        self._wake_r.close()
        self._wake_w.close()

    def _wake(self) -> None:
        try:
            self._wake_w.send(b"x")
        except BlockingIOError:
            return  # it has been woken already
        except OSError:
            _log.debug("the network thread has ended; the broker will send again")

    def _drain_wake(self) -> None:
        try:
            while self._wake_r.recv(4096):
                continue
        except BlockingIOError:
            return

    # -- paho's callbacks, all on the network thread

    def _on_connect(
        self, client: mqtt.Client, _data: Any, flags: Any, reason: Any, properties: Any
    ) -> None:
        if reason.is_failure:
            self._refused = True
            self.last_error = f"{redacted(self._config.url)}: {reason}"
            _log.warning("the broker refuses the connection: %s", self.last_error)
            return
        self.connected, self.last_error = True, ""
        session = "resumed" if flags.session_present else "new"
        _log.info("connected to %s, session %s", redacted(self._config.url), session)
        self.subscriptions.subscribe(properties)
        self._publish_online()

    def _publish_online(self) -> None:
        self._status_s = time.monotonic()
        self._client.publish(self.status_topic, self._status("online"), qos=0, retain=True)

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        was_connected = self.connected
        self.connected = self.subscriptions.complete = False
        if reason.is_failure and not self._refused:
            self.last_error = (
                self.same_client_id.ended(reason)
                if was_connected
                else f"the connection to the broker ended: {reason}"
            )
            _log.warning("%s", self.last_error)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic.encode()
            is_second = self.subscriptions.is_second_copy(message)
        except UnicodeDecodeError:
            topic, is_second = _NOT_UTF8, False
        if is_second:
            self.arrivals.received += 1
            self._acks.append((self.arrivals.connection, message.mid))
            return
        payload = bytes(message.payload)
        self.arrivals.receive(topic, payload, message.mid, message.qos, message.dup, message.retain)

    def _status(self, state: str) -> str:
        return json.dumps({"state": state, "time": format_moment(self._clock.now())})
