"""The API on a real SQLite store and registry in a temporary folder."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from service.api.context import install
from service.app.app_factory import create_app
from service.app.application import Application, opened
from service.clock import FixedClock
from service.config import Config, PicturesConfig, load_config
from service.registry.registry import open_registry
from service.store import open_store
from tests.registries import make_sqlite_registry

NOW = datetime(2025, 6, 4, 12, 0, tzinfo=UTC)


@contextmanager
def application_in(folder):
    """An application with its files in a folder, which may be there."""
    if not (folder / "registry.db").exists():
        make_sqlite_registry(folder / "registry.db")
    store = open_store(f"sqlite:///{folder / 'readings.db'}")
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    config = Config(pictures=PicturesConfig(folder=str(folder / "album")))
    yield Application(config, FixedClock(NOW), store, registry)
    registry.close()
    store.close()


@pytest.fixture
def context(tmp_path):
    with application_in(tmp_path) as application:
        yield application


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
