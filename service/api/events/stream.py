"""Streams of events: who may listen, how long, and the text they are sent.

A stream holds one of the server's threads for as long as it lasts. Listeners have threads of their
own, beside those that answer requests, so that they can take none away from them.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from flask import json

from service.api.events.poller import Newest, News
from service.api.events.schemas import EventSchema
from service.api.resources.readings.schemas import ReadingSchema
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
    """Everything of a kind is taken."""

    kind = PROBLEMS["busy"]

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.headers = {"Retry-After": str(BUSY_RETRY_S)}


class Listeners:
    """Counts the streams that are open, and lets no more in than may be."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._open = 0
        self._lock = threading.Lock()

    def enter(self) -> Callable[[], None]:
        """Take a place; returns what gives it back, once.

        Raises:
            BusyError: all places are taken.
        """
        with self._lock:
            if self._open >= self.most:
                raise BusyError(
                    f"{self._open} listeners are connected; allowed: {self.most} (http.listeners)"
                )
            self._open += 1
        left = threading.Lock()

        def leave() -> None:
            if left.acquire(blocking=False):
                with self._lock:
                    self._open -= 1

        return leave


@dataclass(frozen=True, slots=True)
class Pace:
    """How a stream is paced, in seconds."""

    poll_s: float = POLL_S
    heartbeat_s: float = HEARTBEAT_S
    lasts_s: float = LASTS_S


@dataclass(frozen=True, slots=True)
class Wish:
    """What a listener wants to hear.

    Attributes:
        after: the sequence that was seen last.
        tank: only of this tank; None: of all.
        readings: also each sensor's newest reading.
    """

    after: int
    tank: str | None = None
    readings: bool = False


def stream(
    registry: Registry, news: News, wish: Wish, ended: Callable[[], bool], pace: Pace
) -> Iterator[str]:
    """The text of a stream, in pieces.

    Args:
        ended: whether to end now.
    """
    began = told = time.monotonic()
    yield f"retry: {RETRY_S * 1000}\n\n"
    events = _events(registry, news, wish)
    readings = _readings(news, wish) if wish.readings else itertools.repeat("")
    try:
        yield next(readings) + _message("listening", {"sequence": wish.after}, wish.after)
        while not ended() and time.monotonic() - began < pace.lasts_s:
            text = next(events) + next(readings)
            if not text and time.monotonic() - told >= pace.heartbeat_s:
                text = ": still here\n\n"
            if text:
                yield text
                told = time.monotonic()
            time.sleep(pace.poll_s)
    except LittoralError as error:
        yield _trouble(error.detail)


def _events(registry: Registry, news: News, wish: Wish) -> Iterator[str]:
    """Each time, the events since the time before."""
    after = wish.after
    while True:
        text = []
        while (newest := news.sequence()) > after:
            found = registry.events(after, limit=PART, tank=wish.tank)
            text += [_message(one.type, _EVENT.dump(one), one.sequence) for one in found]
            last = found[-1].sequence if found else after
            after = last if len(found) == PART else max(last, newest)
        yield "".join(text)


def _readings(news: News, wish: Wish) -> Iterator[str]:
    """First the newest readings; then, each time, those that are new since the time before."""
    told = Newest()
    while True:
        now = news.newest()
        fresh = [
            one
            for key, one in now.last.items()
            if wish.tank in (None, key.tank) and told.last.get(key) != one
        ]
        documents = [{"tank": one.tank, **_READING.dump(one)} for one in fresh]
        text = "".join(_message("reading", one) for one in documents)
        if now.trouble and now.trouble != told.trouble:
            text += _trouble(now.trouble)
        told = Newest({**told.last, **now.last}, now.trouble)
        yield text


def _trouble(detail: str) -> str:
    return _message("trouble", {"detail": detail})


def _message(type: str, data: dict[str, Any], id: int | None = None) -> str:
    first = "" if id is None else f"id: {id}\n"
    return f"{first}event: {type}\ndata: {json.dumps(data)}\n\n"
