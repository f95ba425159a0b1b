"""An empty registry for deliveries."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.registry.registry import Registry
from tests.registries import sqlite_registry


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = sqlite_registry(tmp_path / "registry.db")
    yield registry
    registry.close()
