"""Rate limits: what they count with."""

from __future__ import annotations

from limits import RateLimitItemPerSecond
from limits.strategies import MovingWindowRateLimiter

from service.api.http import rate_limit
from service.api.http.rate_limit import REMOVED_AFTER_S, CountStorage


def test_one_thread_removes_old_counts_of_many_requests() -> None:
    storage = CountStorage()
    windows = MovingWindowRateLimiter(storage)
    first = storage.timer
    assert first.interval == REMOVED_AFTER_S and first.daemon
    first.join(0.05)  # the library's own ends after 10 ms
    for caller in range(20):
        assert windows.hit(RateLimitItemPerSecond(1), str(caller))
    assert storage.timer is first and first.is_alive()


def test_old_counts_are_removed(monkeypatch) -> None:
    monkeypatch.setattr(rate_limit, "REMOVED_AFTER_S", 1.1)
    storage = CountStorage()
    assert MovingWindowRateLimiter(storage).hit(RateLimitItemPerSecond(1), "caller")
    storage.timer.join()
    assert storage.events == {} or storage.events == {"LIMITS:LIMITER/caller/1/1/second": []}
