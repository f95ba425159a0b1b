"""An MQTT client that receives fast: few system calls, and no work for absent properties.

paho asks the socket three times or more for each packet, and makes a table of 27 names for the
properties of each message. Both are the greater part of what receiving costs. Two of its inner
methods are replaced here; whatever is not the usual case goes the usual way. Should a later paho
no longer call them, it is only slower. docs/decisions.md has what that costs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

_CHUNK_BYTES: Final = 65_536

#: topic, payload, packet identifier, QoS, duplicate, retained
Plain = Callable[[bytes, bytes, int, int, bool, bool], None]


class FastReadingClient(mqtt.Client):
    """paho's client; ``on_plain`` is called with the messages that carry no properties.

    Attributes:
        on_plain: None: all go to ``on_message``.
    """

    on_plain: Plain | None = None
    _read_ahead = b""
    _at = 0

    @property
    def has_read_ahead(self) -> bool:
        """Whether bytes wait here that the socket has given already."""
        return self._at < len(self._read_ahead)

    def reconnect(self) -> MQTTErrorCode:
        """As paho's; what the last connection left is of no use any more."""
        self._read_ahead, self._at = b"", 0
        return super().reconnect()

    def read_packet(self) -> MQTTErrorCode:
        """Read one packet, or as much of one as is there."""
        return super().loop_read()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """As paho's; and all that was read ahead, of which paho's loops know nothing."""
        code = super().loop_read(max_packets)
        while code == MQTTErrorCode.MQTT_ERR_SUCCESS and self.has_read_ahead:
            code = super().loop_read(max_packets)
        return code

    def _sock_recv(self, bufsize: int) -> bytes:
        """The next bytes, at most ``bufsize``: asked from the socket in large pieces."""
        data, start = self._read_ahead, self._at
        if start == len(data):
            # Nothing is changed here if the socket has nothing: it raises BlockingIOError.
            data, start = super()._sock_recv(_CHUNK_BYTES), 0
            self._read_ahead = data
        end = start + bufsize
        self._at = min(end, len(data))
        return data[start:end]

    def _handle_publish(self) -> MQTTErrorCode:
        """Take a PUBLISH packet apart (MQTT 5.0 and 3.1.1, section 3.3)."""
        command, data = self._in_packet["command"], self._in_packet["packet"]
        qos = (command & 0x06) >> 1
        if self.on_plain is None or qos > 1 or len(data) < 2:
            return super()._handle_publish()
        topic_end = 2 + (data[0] << 8 | data[1])
        body = topic_end + 2 * qos
        if self._protocol == mqtt.MQTTv5:
            if data[body : body + 1] != b"\0":  # there are properties, or the packet is cut off
                return super()._handle_publish()
            body += 1
        if body > len(data):
            return super()._handle_publish()
        mid = data[topic_end] << 8 | data[topic_end + 1] if qos else 0
        topic, payload = bytes(data[2:topic_end]), bytes(data[body:])
        self.on_plain(topic, payload, mid, qos, bool(command & 0x08), bool(command & 0x01))
        return MQTTErrorCode.MQTT_ERR_SUCCESS


def has_pending_bytes(client: FastReadingClient, sock: Any) -> bool:
    """Whether more can be read though the socket itself may be silent."""
    return client.has_read_ahead or (hasattr(sock, "pending") and sock.pending() > 0)
