"""Statuses that several processes share, on each database."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from service.registry.registry import Registry
from tests.registries import sqlite_registry

NUMBERS = range(12)


def test_changes_made_at_once_are_all_there(registry: Registry) -> None:
    def add(number: int) -> None:
        def changed(document: Mapping[str, Any]) -> Mapping[str, Any]:
            return {"numbers": [*document.get("numbers", ()), number]}

        registry.change_status("shared", changed)

    with ThreadPoolExecutor(4) as threads:
        list(threads.map(add, NUMBERS))
    assert sorted(registry.statuses()["shared"]["numbers"]) == [*NUMBERS]


def test_a_change_that_fails_leaves_no_status(registry: Registry) -> None:
    def fails(document: Mapping[str, Any]) -> Mapping[str, Any]:
        raise ValueError(document)

    try:
        registry.change_status("shared", fails)
    except ValueError as error:
        assert error.args == ({},)
    assert registry.statuses() == {}


def test_a_status_in_a_file_takes_little_more_than_one_page_of_the_system(tmp_path: Path) -> None:
    """4,096 bytes; the log gets 24 and a page for each changed (sqlite.org/fileformat2, 4.1)."""
    registry = sqlite_registry(tmp_path / "registry.db")
    document = {"time": "", "words": "x" * 600}
    log = tmp_path / "registry.db-wal"
    pages = []
    for number in range(20):
        before = log.stat().st_size if log.exists() else 0
        registry.put_status(f"ingest:{number % 2}", {**document, "number": number})
        pages.append((log.stat().st_size - 1) // 4096 - before // 4096 + 1)
    registry.close()
    assert sum(pages[2:]) < 1.8 * 18
