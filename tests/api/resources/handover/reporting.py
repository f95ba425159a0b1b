"""Sharing links and reports that come with them, for tests."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta

from service.api.context import install
from service.clock import FixedClock
from tests.api.conftest import NOW
from tests.api.test_handover import PLANS, away  # noqa: F401 - a fixture used here too

URL = "/v1/shares"
KEYS = itertools.count(1)


def linked(client, **body):
    """The path of a fresh link that takes reports."""
    given = {"tank": "riffle", "length": "P14D", "name": "Ada", "may_report": True} | body
    answer = client.post(URL, json=given)
    assert answer.status_code == 201, answer.get_data(as_text=True)
    return f"/shared/{answer.get_json()['secret']}"


def tasks(client, path):
    answer = client.get(f"{path}/tasks")
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return answer.get_json()["tasks"]


def task(client, path, title):
    """The first task whose title begins so, not reported yet."""
    found = [one for one in tasks(client, path) if one["title"].startswith(title)]
    return next(one for one in found if one["reported"] is None)


def sent(client, path, given, headers=None, **body):
    body = {"task": given if isinstance(given, str) else given["task"]} | body
    body.setdefault("key", f"key-{next(KEYS):06}")
    return client.post(f"{path}/reports", json=body, headers=headers or {})


def done(client, path, given, **body):
    answer = sent(client, path, given, **body)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return answer.get_json()


def entries(client, tank="riffle"):
    return client.get(f"/v1/tanks/{tank}/log").get_json()["entries"]


def later(app, context, **span):
    install(app, replace(context, clock=FixedClock(NOW + timedelta(**span))))
