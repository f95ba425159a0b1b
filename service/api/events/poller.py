"""What is new in registry and store, asked once for all who listen."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Generic, TypeVar

from service.errors import LittoralError
from service.registry.registry import Registry
from service.store import Reading, SeriesKey, Store

PAUSE: Final = 10.0
"""After an answer nobody asks for so many times its own length: a slow store is spared."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest reading of each series, believed or not.

    Attributes:
        last: empty while it cannot be had.
        trouble: why it cannot be had; "" where it can.
    """

    last: Mapping[SeriesKey, Reading] = field(default_factory=dict)
    trouble: str = ""


class News:
    """Asks registry and store on behalf of all listeners; safe to use from several threads."""

    def __init__(self, registry: Registry, store: Store, poll_s: float) -> None:
        """Prepare.

        Args:
            poll_s: an answer counts for so long.
        """
        self._store = store
        self._sequence = _Shared(registry.last_sequence, poll_s)
        self._newest = _Shared(self._ask_store, poll_s)

    def sequence(self) -> int:
        """The sequence of the newest event.

        Raises:
            RegistryUnavailableError: the registry does not answer.
        """
        return self._sequence.answer()

    def newest(self) -> Newest:
        """The newest readings."""
        return self._newest.answer()

    def _ask_store(self) -> Newest:
        try:
            return Newest({info.key: info.last for info in self._store.series()})
        except LittoralError as error:
            return Newest(trouble=error.detail)


class _Shared(Generic[_T]):
    """One answer for several threads, asked for again when it has counted for long enough."""

    def __init__(self, ask: Callable[[], _T], counts_s: float) -> None:
        self._ask = ask
        self._counts_s = counts_s
        self._lock = threading.Lock()
        self._answers: list[_T] = []
        self._until = 0.0

    def answer(self) -> _T:
        with self._lock:
            began = time.monotonic()
            if not self._answers or began >= self._until:
                self._answers = [self._ask()]
                ended = time.monotonic()
                self._until = ended + max(self._counts_s, PAUSE * (ended - began))
            return self._answers[0]
