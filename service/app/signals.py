"""Signals that ask the process to end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from typing import Any, Final

_STOPPING: Final = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def set_by_signals(stopping: threading.Event) -> Iterator[None]:
    """SIGTERM and Ctrl-C set an event, a moment later, instead of ending the process at once.

    Not in the handler: it interrupts the main thread, which may hold the event's lock just then
    and would wait for itself for ever. ``SimpleQueue.put`` may be called in a handler (Python's
    documentation of ``queue``).
    """
    asked: SimpleQueue[bool] = SimpleQueue()

    def set_when_asked() -> None:
        while asked.get():
            stopping.set()

    setter = threading.Thread(target=set_when_asked, name="signals", daemon=True)
    setter.start()
    before: list[Callable[..., Any] | int | None] = [
        signal.signal(number, lambda *_: asked.put(True)) for number in _STOPPING
    ]
    try:
        yield
    finally:
        for number, handler in zip(_STOPPING, before, strict=True):
            signal.signal(number, handler)
        asked.put(False)
        setter.join()
