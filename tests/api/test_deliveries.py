"""Webhook deliveries: listed, and sent again when they were given up."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.registry.models.events import NewEvent
from tests.api.conftest import NOW, problem_of


@pytest.fixture
def dead(context):
    """One dead and one waiting delivery; the id of the dead one."""
    registry = context.registry
    registry.hand_over("colleague", NOW)
    registry.add_events(
        [NewEvent("recommendation.opened", name, "riffle", NOW, {}) for name in ("a", "b")]
    )
    registry.hand_over("colleague", NOW)
    (first, _) = registry.claim_deliveries("colleague", NOW, timedelta(minutes=1))
    registry.settle_dead(first.id, NOW, "it answers 500")
    return first.id


def test_listed_by_state(client, dead):
    both = client.get("/v1/deliveries").get_json()["deliveries"]
    assert [one["state"] for one in both] == ["waiting", "dead"]
    answer = client.get("/v1/deliveries?state=dead&target=colleague").get_json()
    (one,) = answer["deliveries"]
    assert (one["id"], one["last_error"], one["attempts"]) == (dead, "it answers 500", 1)
    assert one["event"]["subject"] == "a"
    assert client.get("/v1/deliveries?target=other").get_json()["deliveries"] == []


def test_older_ones_by_key(client, dead):
    first = client.get("/v1/deliveries?limit=1").get_json()
    second = client.get(first["next"]).get_json()
    assert [one["id"] for one in second["deliveries"]] == [dead]
    assert first["deliveries"][0]["id"] > dead
    assert second["next"] is None


def test_a_dead_one_is_sent_again_once(client, dead):
    again = client.post(f"/v1/deliveries/{dead}/redeliver").get_json()
    assert (again["state"], again["attempts"], again["settled"]) == ("waiting", 0, None)
    twice = client.post(f"/v1/deliveries/{dead}/redeliver")
    assert "only a dead one" in problem_of(twice, 409, "conflict")["detail"]


@pytest.mark.parametrize("id", ["999", "x", "1e3", "9" * 30, "²"])
def test_refusals(client, id):
    problem_of(client.post(f"/v1/deliveries/{id}/redeliver"), 404, "not-found")
    answer = client.get(f"/v1/deliveries?state={id}")
    assert "waiting, delivered, dead" in problem_of(answer, 422, "invalid-input")["detail"]
