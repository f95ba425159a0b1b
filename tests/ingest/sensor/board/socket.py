"""A blocking TCP socket over the bridge, with the part of MicroPython's interface that we use."""

import binascii

import js


def getaddrinfo(host, port):
    return [(2, 1, 0, "", (host, port))]


def _ask(operation, argument):
    answer = js.bridge.request(operation, argument)
    word, _, rest = answer.partition(":")
    if word != "ok":
        raise OSError(rest)
    return rest


class socket:  # noqa: N801 - its name there
    def settimeout(self, seconds):
        self._timeout_ms = int(seconds * 1000)

    def connect(self, address):
        _ask("connect", "%s %d %d" % (address[0], address[1], self._timeout_ms))

    def send(self, data):
        return int(_ask("send", binascii.hexlify(data).decode()))

    def recv(self, count):
        return binascii.unhexlify(_ask("recv", "%d %d" % (count, self._timeout_ms)))

    def close(self):
        _ask("close", "")
