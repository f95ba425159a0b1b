"""Server-sent event streams: who may listen, how long, and the text that is sent.

A stream holds one of the server's threads for as long as it lasts. Listeners have threads of their
own, beside those that answer requests, so that they can take none away from them.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from flask import json

from service.api.events.poller import NewestReadings, Poller
from service.api.events.schemas import EventSchema
from service.api.http.limits.rate_limit import network_of
from service.api.resources.readings.schemas import ReadingSchema
from service.config import HttpConfig
from service.errors import LittoralError
from service.problems import PROBLEMS
from service.registry.registry import Registry

POLL_S: Final = 1.0
HEARTBEAT_S: Final = 15.0
LASTS_S: Final = 600.0
RETRY_S: Final = 3
BUSY_RETRY_S: Final = 30
PART: Final = 100

_EVENT: Final = EventSchema()
_READING: Final = ReadingSchema()


class BusyError(LittoralError):
    """As many listeners as are allowed are connected."""

    kind = PROBLEMS["busy"]

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.headers = {"Retry-After": str(BUSY_RETRY_S)}


class Listeners:
    """Counts the open streams, in all and by address, and refuses more than are allowed."""

    def __init__(self, http: HttpConfig) -> None:
        self._most = http.listeners
        self._most_of_one = http.listeners_per_address
        self._open: Counter[str] = Counter()
        self._lock = threading.Lock()

    def enter(self, address: str) -> Callable[[], None]:
        """Count one more of an address; returns what counts it off again, once.

        Raises:
            BusyError: as many as are allowed are open.
        """
        network = network_of(address)
        with self._lock:
            if (number := self._open.total()) >= self._most:
                raise BusyError(
                    f"{number} listeners are connected; allowed: {self._most} (http.listeners)"
                )
            if (number := self._open[network]) >= self._most_of_one:
                raise BusyError(
                    f"{number} listeners are connected from one address; allowed: "
                    f"{self._most_of_one} (http.listeners_per_address)"
                )
            self._open[network] += 1
        left = threading.Lock()

        def leave() -> None:
            if left.acquire(blocking=False):
                with self._lock:
                    self._open[network] -= 1
                    if not self._open[network]:
                        del self._open[network]

        return leave


@dataclass(frozen=True, slots=True)
class StreamTiming:
    """How often a stream polls and sends, and how long it lasts, in seconds."""

    poll_s: float = POLL_S
    heartbeat_s: float = HEARTBEAT_S
    lasts_s: float = LASTS_S


@dataclass(frozen=True, slots=True)
class Subscription:
    """What a listener asked for.

    Attributes:
        after: the sequence that was seen last.
        tank: only of this tank; None: of all.
        readings: also each sensor's newest reading.
    """

    after: int
    tank: str | None = None
    readings: bool = False


def stream(
    registry: Registry,
    poller: Poller,
    subscription: Subscription,
    ended: Callable[[], bool],
    timing: StreamTiming,
) -> Iterator[str]:
    """The text of a stream, in pieces.

    Args:
        ended: whether to end now.
    """
    began_s = sent_s = time.monotonic()
    yield f"retry: {RETRY_S * 1000}\n\n"
    events = _events(registry, poller, subscription)
    readings = _readings(poller, subscription) if subscription.readings else itertools.repeat("")
    try:
        yield next(readings) + _message(
            "listening", {"sequence": subscription.after}, subscription.after
        )
        while not ended() and time.monotonic() - began_s < timing.lasts_s:
            text = next(events) + next(readings)
            if not text and time.monotonic() - sent_s >= timing.heartbeat_s:
                text = ": still here\n\n"
            if text:
                yield text
                sent_s = time.monotonic()
            time.sleep(timing.poll_s)
    except LittoralError as error:
        yield _trouble(error.detail)


def _events(registry: Registry, poller: Poller, subscription: Subscription) -> Iterator[str]:
    """Each time, the events since the time before."""
    after = subscription.after
    while True:
        text = []
        while (newest := poller.sequence()) > after:
            found = registry.events(after, limit=PART, tank=subscription.tank)
            text += [_message(one.type, _EVENT.dump(one), one.sequence) for one in found]
            last = found[-1].sequence if found else after
            after = last if len(found) == PART else max(last, newest)
        yield "".join(text)


def _readings(poller: Poller, subscription: Subscription) -> Iterator[str]:
    """First the newest readings; then, each time, those that are new since the time before."""
    before = NewestReadings()
    while True:
        now = poller.newest()
        fresh = [
            one
            for key, one in now.last.items()
            if subscription.tank in (None, key.tank) and before.last.get(key) != one
        ]
        documents = [{"tank": one.tank, **_READING.dump(one)} for one in fresh]
        text = "".join(_message("reading", one) for one in documents)
        if now.trouble and now.trouble != before.trouble:
            text += _trouble(now.trouble)
        before = NewestReadings({**before.last, **now.last}, now.trouble)
        yield text


def _trouble(detail: str) -> str:
    return _message("trouble", {"detail": detail})


def _message(type: str, data: dict[str, Any], id: int | None = None) -> str:
    first = "" if id is None else f"id: {id}\n"
    return f"{first}event: {type}\ndata: {json.dumps(data)}\n\n"
