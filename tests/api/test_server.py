"""The real server in front of the application: it adds no limits of its own that are narrower."""

from __future__ import annotations

import json
import threading

import pytest
import requests

from service.api.server import Server
from service.app.app_factory import create_app
from service.config import HttpConfig

MIB = 1024 * 1024


@pytest.fixture
def url(context):
    stop = threading.Event()
    server = Server(create_app(context), HttpConfig(port=0))
    thread = threading.Thread(target=server.run, args=(stop,))
    thread.start()
    yield server.url
    stop.set()
    thread.join()


@pytest.mark.parametrize(
    ("size", "status"), [(200, 200), (8 * MIB, 200), (8 * MIB + 1, 413), (12 * MIB, 413)]
)
def test_a_body_of_eight_mebibytes_is_taken_and_more_is_a_problem(url, size, status):
    body = json.dumps({"absences": []}).ljust(size).encode()
    headers = {"Content-Type": "application/json"}
    answer = requests.put(f"{url}/v1/absences", data=body, headers=headers, timeout=60)
    assert answer.status_code == status
    kind = "application/json" if status == 200 else "application/problem+json"
    assert answer.headers["Content-Type"].startswith(kind)
