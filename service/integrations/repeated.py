"""Calls a function every few seconds in a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Callable


class Repeated:
    """A thread that calls a function again and again, from ``start`` to ``stop``."""

    def __init__(self, name: str, every_s: float, call: Callable[[], None]) -> None:
        """Prepare.

        Args:
            name: of the thread.
            every_s: machine seconds from one call to the next.
        """
        self._every_s = every_s
        self._call = call
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin; the first call comes after the first wait."""
        self._thread.start()

    def stop(self) -> None:
        """Wait for a call that is going on, and end; no effect where it never started."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        while not self._stopping.wait(self._every_s):
            self._call()
