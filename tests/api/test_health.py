"""The service's own health."""

from __future__ import annotations


def test_healthz(client):
    assert client.get("/healthz").get_json() == {
        "status": "ok",
        "version": "0.1.0",
        "time": "2025-06-04T12:00:00Z",
    }


def test_readyz(client):
    answer = client.get("/readyz").get_json()
    assert answer["status"] == "ready"
    assert answer["store"]["backend"] == "sqlite"
    assert answer["store"]["reachable"] is True


def test_head(client):
    response = client.head("/healthz")
    assert response.status_code == 200
    assert response.data == b""
