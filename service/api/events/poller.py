"""Polls registry and store for what is new, once for all event streams."""

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
"""After a poll there is none for so many times its own duration: a slow store is spared."""

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class NewestReadings:
    """The newest reading of each series, flagged or not.

    Attributes:
        last: empty while the store is away.
        trouble: why the store is away; "" where it is not.
    """

    last: Mapping[SeriesKey, Reading] = field(default_factory=dict)
    trouble: str = ""


class Poller:
    """Polls registry and store on behalf of all streams; safe to use from several threads."""

    def __init__(self, registry: Registry, store: Store, poll_s: float) -> None:
        """Prepare.

        Args:
            poll_s: an answer is used for so long.
        """
        self._store = store
        self._sequence = _Cached(registry.last_sequence, poll_s)
        self._newest = _Cached(self._ask_store, poll_s)

    def sequence(self) -> int:
        """The sequence of the newest event.

        Raises:
            RegistryUnavailableError: the registry does not answer.
        """
        return self._sequence.answer()

    def newest(self) -> NewestReadings:
        """The newest readings."""
        return self._newest.answer()

    def _ask_store(self) -> NewestReadings:
        try:
            return NewestReadings({info.key: info.last for info in self._store.series()})
        except LittoralError as error:
            return NewestReadings(trouble=error.detail)


class _Cached(Generic[_T]):
    """One answer for several threads, asked for again once it is old."""

    def __init__(self, ask: Callable[[], _T], lasts_s: float) -> None:
        self._ask = ask
        self._lasts_s = lasts_s
        self._lock = threading.Lock()
        self._answers: list[_T] = []
        self._until = 0.0

    def answer(self) -> _T:
        with self._lock:
            began = time.monotonic()
            if not self._answers or began >= self._until:
                self._answers = [self._ask()]
                ended = time.monotonic()
                self._until = ended + max(self._lasts_s, PAUSE * (ended - began))
            return self._answers[0]
