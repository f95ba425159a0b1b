"""Writes of several processes at the same moment that only one of them may make."""

from __future__ import annotations

import itertools
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from service.errors import ConflictError, InvalidInputError
from service.registry.models.access import Scope
from service.registry.models.events import DeliveryState, NewEvent
from service.registry.models.log import LogKind
from service.registry.models.pictures import (
    MOST_OF_AN_ENTRY,
    NewPicture,
    SentPictures,
    StoredFile,
    new_picture_id,
)
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.registry.repositories.access.sessions import MOST_PER_TOKEN
from service.registry.tables.log import LogRow

WEEK = timedelta(days=7)
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
        except (ConflictError, InvalidInputError) as error:
            return error

    with ThreadPoolExecutor(COUNT) as pool:
        yield lambda function: list(pool.map(lambda one: call(function, one), [registry, *others]))
    for other in others:
        other.close()


def _refused(answers):
    return [one for one in answers if isinstance(one, ConflictError | InvalidInputError)]


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


def test_log_ins_at_one_moment_keep_the_most_of_a_token(registry, at_once):
    token = registry.create_token("a", Scope.READ, NOW)[0].id
    for number in range(MOST_PER_TOKEN + ROUNDS // 3):
        begun = NOW + timedelta(seconds=number)
        if number < MOST_PER_TOKEN - 1:
            registry.create_session(token, begun, expires=NOW + timedelta(days=9))
        else:
            at_once(lambda one, at=begun: one.create_session(token, at, expires=at + WEEK))
    open_ones = [one for one in registry.login_sessions(token) if one.ended is None]
    assert len(open_ones) == MOST_PER_TOKEN


def _pictures(name: str, size: int, most_bytes: int) -> SentPictures:
    half = StoredFile(size // 2, name)
    new = NewPicture(new_picture_id(), 10, 10, half, half, source_sha256=name)
    return SentPictures((name,), (new,), most_bytes)


def test_pictures_at_one_moment_keep_the_quota_of_a_tank(registry, at_once):
    registry.put_tank(Tank("a", "A"))
    size = 1000
    for number in range(ROUNDS // 3):
        room = (number + 1) * size  # for one more
        names = itertools.count()

        def add(one, number=number, room=room, names=names):
            sent = _pictures(f"{number}-{next(names)}", size, room)
            return one.add_log("a", LogKind.OBSERVATION, NOW, note="x", pictures=sent)

        assert len(_refused(at_once(add))) == COUNT - 1, number
    assert len(registry.pictures("a")) == ROUNDS // 3


def test_pictures_at_one_moment_keep_the_most_of_an_entry(registry, at_once):
    registry.put_tank(Tank("a", "A"))
    for number in range(ROUNDS // 3):
        entry = registry.add_log("a", LogKind.OBSERVATION, NOW, note="x").id
        before = [_pictures(f"{number}-{one}", 10, 0).new[0] for one in range(MOST_OF_AN_ENTRY - 1)]
        registry.add_pictures("a", entry, SentPictures((), tuple(before), 1_000_000))
        names = itertools.count()

        def add(one, entry=entry, names=names):
            one.add_pictures("a", entry, _pictures(f"late-{next(names)}", 10, 1_000_000))

        assert len(_refused(at_once(add))) == COUNT - 1, number
        assert len(registry.pictures("a", entries=[entry])) == MOST_OF_AN_ENTRY


def test_entries_at_one_moment_have_one_order(registry, at_once):
    registry.put_tank(Tank("a", "A"))
    for _ in range(ROUNDS // 3):
        at_once(lambda one: one.add_log("a", LogKind.TRIM, NOW, {"fraction": 0.1}, recorded=NOW))
    with registry.session(writes=False) as session:
        numbers = session.scalars(select(LogRow.sequence).order_by(LogRow.sequence)).all()
    assert numbers == list(range(1, COUNT * (ROUNDS // 3) + 1))
