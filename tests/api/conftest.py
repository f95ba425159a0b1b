"""The API on a real SQLite store and registry in a temporary folder."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.api.app import create_app
from service.api.context import Context, install
from service.cli.web import handover_forms, tasks_calendar
from service.clock import FixedClock
from service.config import Config
from service.registry.registry import open_registry
from service.store import open_store

NOW = datetime(2025, 6, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def context(tmp_path):
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    yield Context(
        store,
        registry,
        FixedClock(NOW),
        Config(),
        calendar=tasks_calendar,
        handover=handover_forms(),
    )
    registry.close()
    store.close()


@pytest.fixture(scope="session")
def made():
    """One application for the whole session: the parts behind it change with each test."""
    return create_app(None)


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
