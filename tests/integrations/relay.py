"""A relay in front of a TCP server, whose connections a test can break."""

from __future__ import annotations

import contextlib
import socket
import threading

from tests.servers import HOST


class Relay:
    """Passes bytes on in both directions until ``break_connections``; new ones are taken again."""

    def __init__(self, port: int) -> None:
        self._target = (HOST, port)
        self._listening = socket.create_server((HOST, 0))
        self._open: list[socket.socket] = []
        self.port: int = self._listening.getsockname()[1]

    def __enter__(self) -> Relay:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Take no more connections, and end those that there are."""
        self._listening.close()
        self.break_connections()

    def break_connections(self) -> None:
        """End all connections without a word, on both sides."""
        while self._open:
            with contextlib.suppress(OSError):  # it has ended already
                self._open.pop().shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # the relay was closed
            while True:
                near, _ = self._listening.accept()
                far = socket.create_connection(self._target)
                self._open += [near, far]
                for source, sink in ((near, far), (far, near)):
                    threading.Thread(target=self._pass_on, args=(source, sink), daemon=True).start()

    @staticmethod
    def _pass_on(source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):  # broken
            while data := source.recv(65_536):
                sink.sendall(data)
            sink.shutdown(socket.SHUT_WR)
