"""Rate limits: what they count with."""

from __future__ import annotations

from limits import RateLimitItemPerSecond
from limits.strategies import MovingWindowRateLimiter

from service.api.http.limits import rate_limit
from service.api.http.limits.rate_limit import REMOVED_AFTER_S, CountStorage
from tests.servers import wait_until


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
    monkeypatch.setattr(rate_limit, "REMOVED_AFTER_S", 0.01)
    storage, second = CountStorage(), RateLimitItemPerSecond(1)
    windows = MovingWindowRateLimiter(storage)
    assert windows.hit(second, "caller")

    def is_removed() -> bool:
        windows.hit(second, "another")  # the next count starts the thread again
        return not storage.events[second.key_for("caller")]

    wait_until(is_removed)
