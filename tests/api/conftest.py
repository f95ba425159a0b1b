"""The API on a real SQLite store and registry in a temporary folder."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.api.context import install
from service.app.app_factory import create_app
from service.app.application import Application, opened
from service.clock import FixedClock
from service.config import Config, PicturesConfig, load_config
from service.store import open_store
from tests.registries import sqlite_registry

NOW = datetime(2025, 6, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def context(tmp_path):
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    registry = sqlite_registry(tmp_path / "registry.db")
    config = Config(pictures=PicturesConfig(folder=str(tmp_path / "album")))
    yield Application(config, FixedClock(NOW), store, registry)
    registry.close()
    store.close()


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """One app for the whole session: the application object behind it changes with each test."""
    folder = tmp_path_factory.mktemp("made")
    config = load_config(
        None,
        {
            "LITTORAL_STORE__URL": f"sqlite:///{folder / 'readings.db'}",
            "LITTORAL_REGISTRY__URL": f"sqlite:///{folder / 'registry.db'}",
        },
    )
    with opened(config) as application:
        yield create_app(application)


@pytest.fixture
def app(made, context):
    install(made, context)
    return made


@pytest.fixture
def client(app):
    return app.test_client()


def problem_of(response, status, slug):
    """The problem in a response, after checking what every problem has."""
    assert response.status_code == status, response.get_data(as_text=True)
    assert response.mimetype == "application/problem+json"
    body = response.get_json()
    assert body["type"] == f"/problems/{slug}"
    assert body["status"] == status
    assert set(body) <= {"type", "title", "status", "detail", "instance", "errors"}
    assert body["title"] and body["detail"] and body["instance"]
    return body
