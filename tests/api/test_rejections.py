"""Rejections over HTTP: the newest as they came, all counted."""

from __future__ import annotations

from service.registry.models.ingest import Rejection
from tests.api.conftest import NOW, problem_of


def test_none(client):
    assert client.get("/v1/rejections").get_json() == {
        "rejections": [],
        "counts": {},
        "next": None,
    }


def test_golden_shape(client, context):
    context.registry.add_rejections(
        [
            Rejection(NOW, "littoral/riffle/ph", "soon", "not-a-number", "value is 'soon'", "own"),
            Rejection(NOW, "shed/x", "\x00\ud800", "unknown-topic", "no route", "", "pool"),
        ]
    )
    answer = client.get("/v1/rejections").get_json()
    assert answer["counts"] == {"not-a-number": 1, "unknown-topic": 1}
    assert answer["rejections"][1] == {
        "id": 1,
        "time": "2025-06-04T12:00:00Z",
        "tank": "",
        "topic": "littoral/riffle/ph",
        "payload": "soon",
        "reason": "not-a-number",
        "detail": "value is 'soon'",
        "source": "own",
    }
    assert len(client.get("/v1/rejections?limit=1").get_json()["rejections"]) == 1
    of_pool = client.get("/v1/rejections?tank=pool").get_json()["rejections"]
    assert [one["topic"] for one in of_pool] == ["shed/x"]


def test_refusals(client):
    problem_of(client.get("/v1/rejections?limit=many"), 422, "invalid-input")
    problem_of(client.get("/v1/rejections?reason=x"), 422, "invalid-input")
