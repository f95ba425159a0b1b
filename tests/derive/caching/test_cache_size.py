"""The size of the cache follows the memory."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service.derive.caching import cache_size
from service.derive.caching.cache_size import memory_bytes, tanks_cached


@pytest.mark.parametrize(("text", "expected"), [("268435456\n", 268_435_456), ("max\n", None)])
def test_a_containers_limit_counts_where_it_is_less(
    tmp_path: Path, text: str, expected: int | None
) -> None:
    machine = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    limit = tmp_path / "memory.max"
    assert memory_bytes(limit) == machine
    limit.write_text(text)
    assert memory_bytes(limit) == (machine if expected is None else expected)


@pytest.mark.parametrize(("gigabytes", "tanks"), [(1, 300), (18, 3_750), (72, 15_000)])
def test_more_memory_holds_more_tanks(
    monkeypatch: pytest.MonkeyPatch, gigabytes: int, tanks: int
) -> None:
    monkeypatch.setattr(cache_size, "memory_bytes", lambda: gigabytes * 10**9)
    assert tanks_cached() == tanks
