"""An integration that publishes at a broker, from when it is connected to its end."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol, TypeVar

from tests.servers import wait_until


class Publishing(Protocol):
    """What starts, is connected, and stops."""

    @property
    def is_connected(self) -> bool: ...

    def start(self) -> None: ...

    def stop(self) -> None: ...


One = TypeVar("One", bound=Publishing)


@contextmanager
def connected(made: One) -> Iterator[One]:
    """Start it, give it when it is connected, and stop it."""
    made.start()
    wait_until(lambda: made.is_connected)
    try:
        yield made
    finally:
        made.stop()
