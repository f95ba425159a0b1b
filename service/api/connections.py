"""Limits of HTTP connections: how many for each address and in all, and how long each may wait.

waitress reads requests without a thread for each, but stops accepting at its limit of connections,
and a byte now and then keeps one open for ever. Here, who holds too many loses the one that has
waited longest, and each request has a time in which it must be there.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.utilities import RequestEntityTooLarge

from service.api.http.blueprint import LIST_BYTES, MULTIPART
from service.api.http.limits.rate_limit import network_of
from service.api.server_errors import ProblemTask
from service.config import HttpConfig

TICK_S: Final = 1.0
"""Deadlines are looked at so often while nothing comes, ..."""
BUSY_TICK_S: Final = 0.1
"""... and so often while much does."""
UNFINISHED_BYTES: Final = 64 * 1024 * 1024
"""Of all bodies that are not there whole. waitress has them in temporary files, often in memory."""

WITHOUT_PICTURES_BYTES: Final = 2 * LIST_BYTES
"""More than any body without pictures has; up to it an operation's own limit answers."""


@dataclass(frozen=True, slots=True)
class Deadlines:
    """How long a client may take, in seconds. Our choice.

    Attributes:
        header_s: from the first byte of a request to the end of its header.
        body_s: from the first byte of a request to the end of its body; 24 MiB need two megabit/s.
        send_s: without fetching a byte of an answer.
        idle_s: without a request.
    """

    header_s: float = 15.0
    body_s: float = 120.0
    send_s: float = 60.0
    idle_s: float = 75.0


class MeasuringParser(HTTPRequestParser):
    """A request whose body is refused as soon as it is known to be too long.

    Pictures come as forms, up to the limit of the server. The application has a limit for each
    operation; this one spares the reading of what it refuses anyway.
    """

    def received(self, data: bytes) -> int:
        """As waitress'."""
        consumed = int(super().received(data))
        if self.headers_finished and self.error is None and self._is_too_long():
            self.error = RequestEntityTooLarge(f"exceeds {WITHOUT_PICTURES_BYTES} bytes")
            self.completed = True
        return consumed

    def _is_too_long(self) -> bool:
        length = max(self.content_length, self.body_bytes_received)
        kind = str(self.headers.get("CONTENT_TYPE", "")).partition(";")[0].strip().lower()
        return length > WITHOUT_PICTURES_BYTES and kind != MULTIPART


class TimedChannel(HTTPChannel):
    """A connection that knows how long it has waited for its client.

    Attributes:
        since_s: when it began to wait: as it was opened, with the first byte of a request, or
            after an answer.
    """

    error_task_class = ProblemTask
    parser_class = MeasuringParser

    def __init__(self, *given: Any, **named: Any) -> None:
        self.since_s = time.monotonic()
        self._timed: object = None
        self._stalled: tuple[float, float] = (0.0, 0.0)
        super().__init__(*given, **named)

    @property
    def is_waiting(self) -> bool:
        """Whether no request of it is worked on."""
        return not self.requests

    @property
    def unfinished_bytes(self) -> int:
        """How much has come of a body that is not there whole."""
        return 0 if self.request is None else int(self.request.body_bytes_received)

    def received(self, data: bytes) -> bool:
        """As waitress'; notes when a request begins. Empty lines before one begin none."""
        result = bool(super().received(data))
        if self.request is not None and self.request is not self._timed:
            self._timed, self.since_s = self.request, time.monotonic()
        return result

    def service(self) -> None:
        """As waitress'; notes when the answer is written."""
        super().service()
        self.since_s = time.monotonic()

    def is_overdue(self, deadlines: Deadlines, now_s: float) -> bool:
        """Whether the client has taken too long; to be asked every ``TICK_S`` or more often."""
        if self.total_outbufs_len:
            if self._stalled[0] != self.last_activity:
                self._stalled = (self.last_activity, now_s)
            return now_s - self._stalled[1] > deadlines.send_s
        if not self.is_waiting:
            return False
        if self.request is None:
            allowed_s = deadlines.idle_s
        elif self.request.headers_finished:
            allowed_s = deadlines.body_s
        else:
            allowed_s = deadlines.header_s
        return now_s - self.since_s > allowed_s


class ConnectionLimits:
    """Closes connections that are too many or take too long; used by one thread."""

    def __init__(self, http: HttpConfig, deadlines: Deadlines | None = None) -> None:
        """Event streams count beside the others, so that they take no place away."""
        self.most = http.connections + http.listeners
        self._per_address = http.connections_per_address + min(
            http.listeners, http.listeners_per_address
        )
        self._unlimited = http.trusted_proxy
        self._deadlines = deadlines or Deadlines()
        self._looked_s = time.monotonic()
        self._count = 0

    def serve(self, sockets: dict[int, Any]) -> None:
        """Run waitress' loop on its sockets until there are none, and keep the limits."""
        while sockets:
            wasyncore.loop(timeout=TICK_S, use_poll=True, map=sockets, count=1)
            self._keep(sockets)

    def _keep(self, sockets: dict[int, Any]) -> None:
        """Between two rounds of the loop, when no socket that is closed can be in use."""
        now_s = time.monotonic()
        ticked = now_s - self._looked_s >= BUSY_TICK_S
        if not ticked and len(sockets) <= self._count:
            self._count = len(sockets)
            return
        channels = [one for one in list(sockets.values()) if isinstance(one, TimedChannel)]
        if ticked:
            self._looked_s = now_s
            for one in channels:
                if one.is_overdue(self._deadlines, now_s):
                    one.handle_close()
            _close_largest(channels)
        if len(channels) > self._per_address or len(channels) > self.most:
            self._close_excess(channels)
        self._count = len(sockets)

    def _close_excess(self, channels: Iterable[TimedChannel]) -> None:
        """An address gives up its own first; then the oldest of all gives way."""
        by_network: dict[str, list[TimedChannel]] = defaultdict(list)
        for one in channels:
            if one.addr[0] != self._unlimited:
                by_network[network_of(one.addr[0])].append(one)
        for own in by_network.values():
            _close_oldest(own, self._per_address)
        _close_oldest(channels, self.most)


def _close_largest(channels: Iterable[TimedChannel]) -> None:
    """Close those with the largest unfinished bodies until all together are small enough."""
    live = [one for one in channels if one.connected and one.unfinished_bytes]
    excess = sum(one.unfinished_bytes for one in live) - UNFINISHED_BYTES
    for one in sorted(live, key=lambda one: one.unfinished_bytes, reverse=True):
        if excess <= 0:
            break
        excess -= one.unfinished_bytes
        one.handle_close()


def _close_oldest(channels: Iterable[TimedChannel], most: int) -> None:
    """Close those that have waited longest until no more than so many are open.

    Where all but the newest are at work, it is the newest that goes.
    """
    live = [one for one in channels if one.connected]
    excess = len(live) - most
    if excess > 0:
        waiting = sorted((one for one in live if one.is_waiting), key=lambda one: one.since_s)
        for one in waiting[:excess]:
            one.handle_close()
