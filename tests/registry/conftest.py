"""A registry on each database that it runs on, empty for every test."""

import pytest
from sqlalchemy import text

from service.registry.connection import make_engine
from service.registry.registry import open_registry


@pytest.fixture(params=["sqlite", "postgresql"])
def registry_url(request, tmp_path):
    """URL of an empty database without a schema."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'registry.db'}"
    url = request.getfixturevalue("postgresql").url
    engine = make_engine(url)
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    return url


@pytest.fixture
def registry(registry_url):
    registry = open_registry(registry_url)
    yield registry
    registry.close()
