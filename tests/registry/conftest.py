"""A registry on each database that it runs on, empty for every test."""

from pathlib import Path

import pytest

from tests.registries import postgresql_registry, sqlite_registry


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request, tmp_path):
    """The file of a registry in SQLite, or a PostgreSQL server."""
    if request.param == "sqlite":
        return tmp_path / "registry.db"
    return request.getfixturevalue("postgresql")


@pytest.fixture
def registry_url(request, database):
    """URL of an empty database without a schema; of the registry where a test has one too."""
    if isinstance(database, Path):
        return f"sqlite:///{database}"
    return database.url if "registry" in request.fixturenames else database.emptied()


@pytest.fixture
def registry(database):
    make = sqlite_registry if isinstance(database, Path) else postgresql_registry
    registry = make(database)
    yield registry
    registry.close()
