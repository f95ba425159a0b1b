"""Another process with things of its own open, which does what it is told line by line.

To import the service takes a process longer than what most tests let it do. So one process of each
process of tests imports it and opens nothing, and the others are forked from that.
"""

from __future__ import annotations

import multiprocessing
import sys
import traceback
from multiprocessing.connection import Connection
from typing import Any

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload(["service.app.app_factory", "service.registry.database.migrate"])


def _listen(told: Connection, preparation: str, arguments: tuple[str, ...]) -> None:
    sys.argv[1:] = arguments
    names: dict[str, Any] = {"sys": sys}
    line = preparation
    while True:
        try:
            exec(line, names)
            told.send("")
        except Exception:  # whatever it is, who asked gets it; it ends this process too
            told.send(traceback.format_exc())
            raise
        try:
            line = told.recv()
        except EOFError:
            return


class AnotherProcess:
    """Python that has run a preparation and waits for lines."""

    def __init__(self, preparation: str, *arguments: str) -> None:
        """Start it.

        Args:
            preparation: what to run first; ``sys.argv[1:]`` are the arguments.
        """
        self._connection, other_end = _FORKS.Pipe()
        self._process = _FORKS.Process(target=_listen, args=(other_end, preparation, arguments))
        self._process.start()
        other_end.close()
        self.has_done()

    def begins(self, line: str) -> None:
        """Let it run one line; ``has_done`` waits for its end."""
        self._connection.send(line)

    def has_done(self) -> None:
        """Wait until it has run what it was told; an AssertionError says how that failed."""
        failure = self._connection.recv()
        assert not failure, failure

    def does(self, line: str) -> None:
        """Let it run one line, and wait until it has."""
        self.begins(line)
        self.has_done()

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process.pid is not None
        return self._process.pid

    def kill(self) -> None:
        """End it as a crash would (SIGKILL)."""
        self._process.kill()
        self._process.join(60)
        self._connection.close()

    def end(self) -> None:
        """Let it end by itself."""
        self._connection.close()
        self._process.join(60)
        assert self._process.exitcode == 0
