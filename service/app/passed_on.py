"""Standard error as several threads pass lines on to it: nobody waits for ever while it is full."""

from __future__ import annotations

import os
import select
import threading
import time
from contextlib import suppress
from typing import Final

_TICK_S: Final = 0.1
_LAST_LINES_S: Final = 2.0
"""How long the last lines may wait in all for whoever reads them. Our choice."""
_STANDARD_ERROR: Final = 2


class PassedOn:
    """Lines on their way to standard error, each written whole; safe for several threads.

    A pipe that nobody reads is full after 64 KB, and a terminal can be halted: whoever writes then
    waits. Once the end has begun what finds no room is dropped, so that the end does not wait too.
    Written without Python's buffer: a thread that waits would hold its lock.
    """

    def __init__(self) -> None:
        """The end has not begun."""
        self._lock = threading.Lock()
        self._until_s = float("inf")
        self._dropping = False
        # So many bytes never wait once there is room: of a pipe by pipe(7), of a terminal as tried.
        # It shows room for its last 256 bytes, and has none for the next write within them.
        self._at_once = 1 if os.isatty(_STANDARD_ERROR) else select.PIPE_BUF

    def begin_end(self) -> None:
        """From now on wait a little only, for all that is still to come together."""
        self._until_s = min(self._until_s, time.monotonic() + _LAST_LINES_S)

    def write(self, line: bytes) -> None:
        """Write a line, or drop what is left of it when nobody reads any more."""
        with self._lock, suppress(OSError):  # closed at the other end
            while line and self._has_room():
                line = line[os.write(_STANDARD_ERROR, line[: self._at_once]) :]

    def _has_room(self) -> bool:
        # After one line was dropped the next ones do not wait in their turn.
        while not select.select([], [_STANDARD_ERROR], [], 0 if self._dropping else _TICK_S)[1]:
            if time.monotonic() >= self._until_s:
                self._dropping = True
                return False
        self._dropping = False
        return True
