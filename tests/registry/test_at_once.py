"""Writes of several processes at the same moment that only one of them may make."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import pytest

from service.errors import ConflictError
from service.registry.models.access import Scope
from service.registry.models.events import DeliveryState, NewEvent
from service.registry.registry import open_registry

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
ROUNDS = 30
COUNT = 4


@pytest.fixture
def at_once(registry, registry_url):
    """Call a function with each of several registries on one database, all at the same moment."""
    others = [open_registry(registry_url) for _ in range(COUNT - 1)]
    barrier = threading.Barrier(COUNT)

    def call(function, one):
        barrier.wait()
        try:
            return function(one)
        except ConflictError as error:
            return error

    with ThreadPoolExecutor(COUNT) as pool:
        yield lambda function: list(pool.map(lambda one: call(function, one), [registry, *others]))
    for other in others:
        other.close()


def _refused(answers):
    return [one for one in answers if isinstance(one, ConflictError)]


def test_only_one_valid_token_has_a_name(registry, at_once):
    for number in range(ROUNDS):
        answers = at_once(lambda one, n=number: one.create_token(f"n{n}", Scope.READ, NOW))
        assert len(_refused(answers)) == COUNT - 1, number
    assert len(registry.tokens()) == ROUNDS


def test_a_dead_delivery_is_sent_again_by_one(registry, at_once):
    registry.hand_over("hub", NOW)
    for number in range(ROUNDS):
        registry.add_events([NewEvent("recommendation.opened", f"s{number}", "a", NOW, {})])
        registry.hand_over("hub", NOW)
        [delivery] = registry.deliveries(states=[DeliveryState.WAITING])
        registry.settle_dead(delivery.id, NOW, "gone")
        answers = at_once(lambda one, id=delivery.id: one.redeliver(id, NOW))
        assert len(_refused(answers)) == COUNT - 1, number
        registry.settle_delivered(delivery.id, NOW)
