"""To the broker: MQTT 3.1.1 over TLS, publishing at QoS 1 and nothing else."""

import socket
import struct

TIMEOUT_S = 10


class LinkError(Exception):
    """The broker did not accept or did not answer."""


class Link:
    """A connection to the broker, made anew whenever it is lost."""

    def __init__(self, host, port, client_id, user=None, password=None, authority=None):
        """authority: file with the certificate (DER) that signs the broker's; None: no TLS."""
        self._address = (host, port)
        self._authority = authority
        self._client_id = client_id
        self._user = user
        self._password = password
        self._socket = None
        self._packet = 0

    def publish(self, topic, text):
        """Publish; returns only when the broker has acknowledged it.

        Raises OSError or LinkError when it has not: then send it again later.
        """
        try:
            if self._socket is None:
                self._connect()
            self._packet = self._packet % 65535 + 1
            number = struct.pack("!H", self._packet)
            self._send(0x32, _text(topic) + number + text.encode())
            while True:
                kind, body = self._receive()
                if kind == 0x40 and body[:2] == number:
                    return
                if kind != 0x40:
                    raise LinkError("unexpected packet %d" % kind)
        except Exception:
            self.close()
            raise

    def close(self):
        """Give the connection up; the next publish makes a new one."""
        if self._socket is not None:
            try:
                self._socket.close()
            finally:
                self._socket = None

    def _connect(self):
        self._socket = socket.socket()
        self._socket.settimeout(TIMEOUT_S)
        self._socket.connect(socket.getaddrinfo(*self._address)[0][-1])
        if self._authority:
            self._socket = _tls(self._socket, self._address[0], self._authority)
        flags, payload = 0x02, _text(self._client_id)
        for flag, word in ((0x80, self._user), (0x40, self._password)):
            if word:
                flags |= flag
                payload += _text(word)
        # No keep-alive: between two publications this board says nothing.
        self._send(0x10, _text("MQTT") + bytes([4, flags, 0, 0]) + payload)
        kind, body = self._receive()
        if kind != 0x20 or body[1] != 0:
            raise LinkError("refused: %r" % body)

    def _send(self, kind, body):
        length, head = len(body), bytes([kind])
        while True:
            part, length = length % 128, length // 128
            head += bytes([part | 0x80 if length else part])
            if not length:
                break
        data = head + body
        while data:
            data = data[self._socket.send(data) :]

    def _receive(self):
        kind = self._exactly(1)[0]
        length = shift = 0
        while True:
            part = self._exactly(1)[0]
            length |= (part & 0x7F) << shift
            if not part & 0x80:
                return kind & 0xF0, self._exactly(length)
            shift += 7

    def _exactly(self, count):
        data = b""
        while len(data) < count:
            more = self._socket.recv(count - len(data))
            if not more:
                raise LinkError("the broker closed the connection")
            data += more
        return data


def _tls(plain, host, authority):
    """The same connection over TLS, the broker's certificate and name checked."""
    import ssl  # not in every build of MicroPython

    with open(authority, "rb") as file:
        certificate = file.read()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(cadata=certificate)
    return context.wrap_socket(plain, server_hostname=host)


def _text(text):
    data = text.encode()
    return struct.pack("!H", len(data)) + data
