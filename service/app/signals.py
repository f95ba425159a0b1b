"""Signals that ask the process to end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

_STOPPING: Final = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def set_by_signals(stopping: threading.Event) -> Iterator[None]:
    """SIGTERM and Ctrl-C set an event, instead of ending the process at once."""
    before: list[Callable[..., Any] | int | None] = [
        signal.signal(number, lambda *_: stopping.set()) for number in _STOPPING
    ]
    try:
        yield
    finally:
        for number, handler in zip(_STOPPING, before, strict=True):
            signal.signal(number, handler)
