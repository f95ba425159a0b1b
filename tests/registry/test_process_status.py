"""Statuses that several processes share, on each database."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from service.registry.registry import Registry

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
