"""A registry on each database that it runs on."""

import pytest

from service.tanks.registry import open_registry


@pytest.fixture
def registry(tmp_path):
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    yield registry
    registry.close()
