"""Rate limits, in this process: changes and calculations by caller, wrong tokens by address."""

from __future__ import annotations

import ipaddress
import math
import threading
import time
from typing import Final

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from service.config import HttpConfig
from service.errors import LittoralError
from service.problems import PROBLEMS

_WRITES: Final = "writes"
_CALCULATIONS: Final = "calculations"
_REFUSALS: Final = "refusals"
_RECORDED: Final = "recorded"
REMOVED_AFTER_S: Final = 5.0
"""Counts that are too old to matter are removed so much later. Our choice."""
_REFUSALS_RECORDED: Final = RateLimitItemPerMinute(60)
"""Refusals recorded in the registry, from all addresses together: anybody can cause one."""


def network_of(address: str) -> str:
    """An address as clients are counted by: for IPv6 its network of 64 bits."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if parsed.version == 4:
        return address
    return str(ipaddress.ip_network((parsed, 64), strict=False).network_address)


class TooManyRequestsError(LittoralError):
    """Wait a little."""

    kind = PROBLEMS["too-many-requests"]

    def __init__(self, detail: str, retry_after_s: int) -> None:
        super().__init__(detail)
        self.headers = {"Retry-After": str(retry_after_s)}


class CountStorage(MemoryStorage):
    """Counts in memory; old ones are removed every few seconds.

    The library starts a thread for that 10 ms after a count, so nearly one for each request, and
    no option of it says otherwise.
    """

    @property
    def timer(self) -> threading.Timer:
        """The thread that removes what is old, once; the next count after it starts another."""
        return self._timer

    @timer.setter
    def timer(self, timer: threading.Timer) -> None:
        timer.interval = REMOVED_AFTER_S
        timer.daemon = True
        self._timer = timer


class RateLimits:
    """The counts of the last minute."""

    def __init__(self, http: HttpConfig) -> None:
        self._windows = MovingWindowRateLimiter(CountStorage())
        self._writes = RateLimitItemPerMinute(http.writes_per_minute)
        self._calculations = RateLimitItemPerMinute(http.calculations_per_minute)
        self._refusals = RateLimitItemPerMinute(http.refusals_per_minute)

    def count_write(self, caller: str) -> None:
        """Count one change.

        Raises:
            TooManyRequestsError: the caller has made too many in the last minute.
        """
        if not self._windows.hit(self._writes, _WRITES, caller):
            raise self._too_many(self._writes, (_WRITES, caller), "changes")

    def count_calculation(self, caller: str) -> None:
        """Count one calculation.

        Raises:
            TooManyRequestsError: the caller has asked for too many in the last minute.
        """
        if not self._windows.hit(self._calculations, _CALCULATIONS, caller):
            raise self._too_many(self._calculations, (_CALCULATIONS, caller), "calculations")

    def count_refusal(self, address: str, token: str = "") -> None:
        """Count one wrong secret from an address, for each token that one was meant for apart."""
        self._windows.hit(self._refusals, _REFUSALS, address, token)

    def may_record_refusal(self) -> bool:
        """Count one refusal that is to be recorded; False where there were too many of all."""
        return self._windows.hit(_REFUSALS_RECORDED, _RECORDED)

    def refuse_guessing(self, address: str, token: str = "") -> None:
        """Let nobody try who has been wrong too often.

        Raises:
            TooManyRequestsError: too many wrong tokens from this address in the last minute.
        """
        if not self._windows.test(self._refusals, _REFUSALS, address, token):
            raise self._too_many(self._refusals, (_REFUSALS, address, token), "wrong tokens")

    def _too_many(
        self, item: RateLimitItemPerMinute, key: tuple[str, ...], what: str
    ) -> TooManyRequestsError:
        reset_s = self._windows.get_window_stats(item, *key).reset_time
        wait_s = max(1, math.ceil(reset_s - time.time()))
        return TooManyRequestsError(
            f"more than {item.amount} {what} in a minute; try again in {wait_s} s", wait_s
        )
