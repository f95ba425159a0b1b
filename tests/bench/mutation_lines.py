"""A pytest plugin: which lines each test file runs, by coverage's contexts."""

from __future__ import annotations

import coverage
import pytest

_coverage = coverage.Coverage(source=["service", "ingest"])


def pytest_configure() -> None:
    """Before anything of ours is imported."""
    _coverage.start()


def pytest_runtest_protocol(item: pytest.Item) -> None:
    """Each line from here on is run by this item's file."""
    _coverage.switch_context(str(item.path))


def pytest_unconfigure() -> None:
    """To the file that COVERAGE_FILE names."""
    _coverage.stop()
    _coverage.save()
