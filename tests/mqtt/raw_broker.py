"""A peer that plays a broker byte by byte: it sends what no broker in order would (MQTT 5.0)."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress

from tests.servers import HOST

CONNECT, CONNACK, PUBLISH, PUBACK = 0x10, 0x20, 0x30, 0x40
SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK, PINGREQ, DISCONNECT = 0x82, 0x90, 0xA2, 0xB0, 0xC0, 0xE0


def packet(first: int, body: bytes) -> bytes:
    """A packet with its fixed header (section 2.1.4: seven bits of the length a byte)."""
    length, header = len(body), bytearray([first])
    while True:
        length, digit = divmod(length, 128)
        header.append(digit | (0x80 if length else 0))
        if not length:
            return bytes(header) + body


def publish(
    topic: bytes, payload: bytes, *, qos: int = 1, mid: int = 1, props: bytes = b""
) -> bytes:
    """A PUBLISH packet (section 3.3)."""
    number = struct.pack(">H", mid) if qos else b""
    head = struct.pack(">H", len(topic)) + topic + number + bytes([len(props)]) + props
    return packet(PUBLISH | qos << 1, head + payload)


class RawBroker:
    """Accepts everybody, agrees to every subscription, and sends what it is told to.

    Attributes:
        port: where it listens.
        received: first byte and body of every packet that came.
        connections: how many there were.
    """

    def __init__(self) -> None:
        self.received: list[tuple[int, bytes]] = []
        self.connections = 0
        self.on_subscribed: Callable[[RawBroker], None] = lambda _: None
        self._server = socket.create_server((HOST, 0))
        self.port: int = self._server.getsockname()[1]
        self._peer: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def send(self, data: bytes) -> None:
        """Send bytes to the client that came last."""
        assert self._peer is not None
        self._peer.sendall(data)

    def bodies(self, first: int) -> list[bytes]:
        """The bodies of the packets of a kind that came."""
        return [body for kind, body in self.received if kind == first]

    def close(self) -> None:
        """End it."""
        with suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        if self._peer is not None:
            self._peer.close()
        self._thread.join(60)

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                self._peer = self._server.accept()[0]
                self.connections += 1
                with suppress(OSError, EOFError):
                    while True:
                        self._answer(*self._read())

    def _read(self) -> tuple[int, bytes]:
        first, length, shift = self._exactly(1)[0], 0, 0
        while True:
            digit = self._exactly(1)[0]
            length |= (digit & 127) << shift
            shift += 7
            if not digit & 128:
                return first, self._exactly(length)

    def _exactly(self, count: int) -> bytes:
        assert self._peer is not None
        data = b""
        while len(data) < count:
            more = self._peer.recv(count - len(data))
            if not more:
                raise EOFError
            data += more
        return data

    def _answer(self, first: int, body: bytes) -> None:
        self.received.append((first, body))
        if first == CONNECT:
            self.send(packet(CONNACK, b"\0\0\0"))
        elif first == SUBSCRIBE:
            filters = body[3 + body[2] :]
            count = 0
            while filters:
                filters = filters[2 + (filters[0] << 8 | filters[1]) + 1 :]
                count += 1
            self.send(packet(SUBACK, body[:2] + b"\0" + bytes(count)))
            self.on_subscribed(self)
        elif first == UNSUBSCRIBE:
            self.send(packet(UNSUBACK, body[:2] + b"\0\0"))
        elif first == PINGREQ:
            self.send(packet(0xD0, b""))
