"""A registry on each database that it runs on, empty for every test."""

import pytest

from service.registry.registry import open_registry


@pytest.fixture(params=["sqlite", "postgresql"])
def registry_url(request, tmp_path):
    """URL of an empty database without a schema."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'registry.db'}"
    return request.getfixturevalue("postgresql").emptied()


@pytest.fixture
def registry(registry_url):
    registry = open_registry(registry_url)
    yield registry
    registry.close()
