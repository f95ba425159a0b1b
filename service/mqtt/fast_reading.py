"""An MQTT client that receives fast and within a limit: few system calls, no packet too large.

paho asks the socket three times or more for each packet, and makes a table of 27 names for the
properties of each message. Both are the greater part of what receiving costs. Two of its inner
methods are replaced here; whatever is not the usual case goes the usual way. Should a later paho
no longer call them, the tests say so. docs/decisions.md has what that costs.

paho also stores a packet of any size, up to 256 MB, before anybody may refuse it. Here the length
that a packet announces is checked before its body is read. Of a message that is too large only the
beginning is stored, with topic and packet identifier; the rest is read away in pieces. So it can
be acknowledged: to disconnect would have the broker send it again, for ever. Any other packet
that is too large ends the connection (reason 0x95, MQTT 5.0 section 3.14.2.1): no broker in order
sends one.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

_CHUNK_BYTES: Final = 65_536
_HEAD_BYTES: Final = 65_539
"""Topic and packet identifier of a PUBLISH packet are within so many bytes."""
_PUBLISH: Final = 0x30
_TOO_LARGE: Final = 0x95
LARGEST_PACKET_BYTES: Final = 268_435_460
"""What MQTT allows: a remaining length of 268,435,455 and the header before it."""

_SUCCESS: Final = MQTTErrorCode.MQTT_ERR_SUCCESS
_log = logging.getLogger(__name__)

#: topic, payload, packet identifier, QoS, duplicate, retained
Plain = Callable[[bytes, bytes, int, int, bool, bool], None]
#: the same without a payload, and the length of the packet in its place
TooLarge = Callable[[bytes, int, int, int, bool, bool], None]


class FastReadingClient(mqtt.Client):
    """paho's client; ``on_plain`` is called with the messages that carry no properties.

    Attributes:
        on_plain: None: all go to ``on_message``.
        on_too_large: called with messages that are too large, of which the payload was not stored;
            None: they are only counted. With manual acknowledgement it is the receiver's to do.
        most_bytes: a larger packet is too large.
        too_large: how many there were.
    """

    on_plain: Plain | None = None
    on_too_large: TooLarge | None = None
    most_bytes: int = LARGEST_PACKET_BYTES
    too_large: int = 0
    _skipping = False
    _read_ahead = b""
    _at = 0

    @property
    def has_read_ahead(self) -> bool:
        """Whether bytes wait here that the socket has given already."""
        return self._at < len(self._read_ahead)

    def reconnect(self) -> MQTTErrorCode:
        """As paho's; what the last connection left is of no use any more."""
        self._read_ahead, self._at = b"", 0
        self._skipping = False
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
        """The next bytes, at most ``bufsize``: asked from the socket in large pieces.

        For the body of a packet paho asks for all of it that is still to come.
        """
        if self._skipping or bufsize > self.most_bytes:
            self._skip()
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
        if self._skipping:
            return self._refuse_message()
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

    def _skip(self) -> None:
        """Drop what was stored of a packet that is too large, beyond its beginning.

        Raises:
            ConnectionError: it is no message, or one of a QoS that was not asked for.
        """
        packet = self._in_packet
        if not self._skipping:
            command = packet["command"]
            if command & 0xF0 != _PUBLISH or command & 0x04:
                self.too_large += 1
                self._say_too_large()
                raise ConnectionError(
                    f"a packet of {packet['remaining_length']} bytes; allowed: {self.most_bytes}"
                )
            self._skipping = True
        del packet["packet"][_HEAD_BYTES:]

    def _say_too_large(self) -> None:
        """Give the broker the reason, as far as it still takes it; 3.1.1 has no reasons."""
        if self._protocol == mqtt.MQTTv5:
            reason = ReasonCode(PacketTypes.DISCONNECT, identifier=_TOO_LARGE)
            self._send_disconnect(reason)
            self.loop_write()

    def _refuse_message(self) -> MQTTErrorCode:
        """Report a message that was too large; acknowledge it unless others do."""
        self._skipping = False
        self.too_large += 1
        command, head = self._in_packet["command"], self._in_packet["packet"]
        qos = (command & 0x06) >> 1
        topic_end = 2 + (head[0] << 8 | head[1])
        if topic_end + 2 * (qos > 0) > len(head):
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        mid = head[topic_end] << 8 | head[topic_end + 1] if qos else 0
        topic, length = bytes(head[2:topic_end]), self._in_packet["remaining_length"]
        _log.warning(
            "a message of %d bytes on %.200r was not taken; allowed: %d",
            length, topic, self.most_bytes,
        )  # fmt: skip
        if self.on_too_large is not None:
            self.on_too_large(topic, length, mid, qos, bool(command & 0x08), bool(command & 0x01))
        return self._send_puback(mid) if qos and not self._manual_ack else _SUCCESS


def has_pending_bytes(client: FastReadingClient, sock: Any) -> bool:
    """Whether more can be read though the socket itself may be silent."""
    return client.has_read_ahead or (hasattr(sock, "pending") and sock.pending() > 0)
