"""The real application over real HTTP, and its tanks evaluated; for tests of what asks it."""

from __future__ import annotations

import threading
from contextlib import contextmanager

import pytest

from service.advice.engine.scheduler import Scheduler
from service.api.server import Server
from service.config import HttpConfig


@contextmanager
def served(app, context, port=0):
    """The application over real HTTP; its address."""
    context.stopping.clear()
    server = Server(app, HttpConfig(port=port))
    thread = threading.Thread(target=server.run, args=(context.stopping,))
    thread.start()
    try:
        yield server.url
    finally:
        context.stopping.set()
        thread.join()


@pytest.fixture
def url(app, context):
    with served(app, context) as address:
        yield address


@pytest.fixture
def look(context):
    return Scheduler(context.registry, context.store, context.clock, 60.0).evaluate_all
