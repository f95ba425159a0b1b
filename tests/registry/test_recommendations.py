"""Recommendations as rows: read by tank, state and time, written in one transaction, pruned."""

import random
import re
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import event

from service.errors import NotFoundError
from service.registry.models.recommendations import (
    ACTIVE_STATES,
    State,
    StoredRecommendation,
    Urgency,
)
from service.registry.models.tank import Tank
from service.registry.repositories.recommendations import OpenTanks

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def stored(id, state=State.OPEN, seen=NOW, tank="a"):
    finding = {"finding": {"title": "é"}, "extra": {"n": 1.5}}
    return StoredRecommendation(id, tank, "co2-low", "", 2, state, seen, seen, None, False, finding)


def put(registry, *ones, known=()):
    """Store some; ``known`` are those that were there, as they were."""
    known = {one.id: one for one in known}
    with registry.session(writes="bookkeeping") as session:
        registry.put_recommendations(ones, known, session)


@pytest.fixture
def two(registry):
    """Two tanks."""
    registry.put_tank(Tank(id="a", name="A"))
    registry.put_tank(Tank(id="b", name="B"))
    return registry


def ids(found):
    return [one.id for one in found]


def test_come_back_as_they_were_written(two):
    one = replace(stored("x"), snoozed_until=NOW + DAY, state=State.SNOOZED, folded=True)
    put(two, one)
    assert two.recommendation("x") == one
    changed = replace(one, state=State.DONE, snoozed_until=None, last_seen=NOW + DAY)
    put(two, changed, stored("y"), known=[one])
    assert two.recommendation("x") == changed
    assert two.recommendation("y") == stored("y")
    put(two)
    with pytest.raises(NotFoundError, match="recommendation is 'z'"):
        two.recommendation("z")


def test_only_columns_that_changed_are_written(two):
    """So that what indexes and documents hold is left alone by what is only seen again."""
    ones = [stored("x"), stored("y"), stored("z")]
    put(two, *ones)
    later = NOW + DAY
    again = [
        replace(ones[0], last_seen=later),
        replace(ones[1], last_seen=later, finding={"finding": {"title": "other"}, "extra": {}}),
        ones[2],
    ]
    statements = []

    def note(_connection, _cursor, sql, given, _context, _many):
        if sql.startswith("UPDATE"):
            statements.append(sorted(re.findall(r"(\w+)=", sql.partition(" WHERE ")[0])))

    event.listen(two.engine, "before_cursor_execute", note)
    put(two, *again, known=ones)
    event.remove(two.engine, "before_cursor_execute", note)
    assert sorted(statements) == [["finding", "last_seen"], ["last_seen"]]
    assert [two.recommendation(one.id) for one in again] == again


def test_are_found_by_tank_state_and_time(two):
    put(
        two, stored("old", seen=NOW - DAY), stored("new"), stored("b", tank="b"),
        stored("done", State.DONE, NOW + DAY),
    )  # fmt: skip
    assert ids(two.recommendations(tanks=["a"])) == ["new", "old"]
    assert set(ids(two.recommendations())) == {"old", "new", "b"}
    assert ids(two.recommendations(states=[State.DONE])) == ["done"]
    assert set(ids(two.recommendations(states=list(State), since=NOW))) == {"new", "b", "done"}
    assert ids(two.recommendations(tanks=["a"], states=list(State), limit=1)) == ["done"]


def test_order_and_tanks_with_something_open(two):
    put(
        two, stored("plain"), replace(stored("due"), due=NOW + DAY),
        replace(stored("b", tank="b"), severity=4), stored("done", State.DONE),
    )  # fmt: skip
    ranked = two.most_urgent(limit=9)
    assert [(one.id, one.due) for one in ranked] == [
        ("b", None),
        ("due", NOW + DAY),
        ("plain", None),
    ]
    assert ids(two.most_urgent(tanks=["b"], limit=9)) == ["b"]
    assert ids(two.most_urgent(states=[State.DONE], limit=9)) == ["done"]
    assert two.most_urgent(since=NOW + DAY, limit=9) == []
    assert two.tanks_with_open(1) == OpenTanks(2, ("b",))
    assert two.tanks_with_open(9) == OpenTanks(2, ("b", "a"))
    put(two, stored("b", State.DONE, tank="b"), known=[replace(stored("b", tank="b"), severity=4)])
    assert two.tanks_with_open(9) == OpenTanks(1, ("a",))


def urgency(one):
    return Urgency(one.id, one.severity, one.due, one.first_seen)


@pytest.mark.parametrize("limit", [1, 3, 40])
def test_parts_of_the_order_are_the_whole_order(two, limit):
    """Against Python's own sort by rank; with many that differ in one thing alone."""
    chance = random.Random(limit)
    moments = [NOW, NOW + timedelta(microseconds=1), NOW + DAY]
    ones = [
        replace(
            stored(f"r{n:02}", chance.choice(ACTIVE_STATES), chance.choice(moments)),
            severity=chance.choice((2, 3)),
            due=chance.choice([None, *moments]),
        )
        for n in chance.sample(range(99), 60)
    ]
    put(two, *ones)
    found, after = [], None
    while part := two.most_urgent(after=after, limit=limit):
        assert len(part) <= limit
        found += part
        after = urgency(part[-1])
    assert found == sorted(ones, key=lambda one: urgency(one).rank)


def test_recent_ones_stand_or_were_marked_since(two):
    put(
        two, stored("open", seen=NOW - 90 * DAY), stored("cleared", State.CLEARED),
        stored("done", State.DONE), stored("long-done", State.DONE, NOW - 2 * DAY),
        stored("b", tank="b"),
    )  # fmt: skip
    assert set(ids(two.recent_recommendations(["a"], NOW - DAY))) == {"open", "done"}
    many = [f"t{n}" for n in range(600)]
    assert ids(two.recent_recommendations([*many, "b"], NOW - DAY)) == ["b"]


def test_pruning_leaves_those_that_stand(two):
    put(two, *(stored(state.value, state, NOW - DAY) for state in State), stored("young"))
    assert two.prune_recommendations(NOW) == len(State) - len(ACTIVE_STATES)
    assert set(ids(two.recommendations(states=list(State)))) == {"open", "snoozed", "young"}


def test_two_that_write_one_recommendation_do_so_one_after_the_other(two):
    """A mark during an evaluation is not overwritten by what the evaluation read before."""
    put(two, stored("x"))
    has_read = threading.Event()

    def evaluate():
        with two.session(writes="bookkeeping") as session:
            (one,) = two.recent_recommendations(["a"], NOW, session)
            has_read.set()
            threading.Event().wait(0.5)  # time enough for a mark that does not wait
            two.put_recommendations([replace(one, last_seen=NOW + DAY)], {"x": one}, session)

    evaluation = threading.Thread(target=evaluate)
    evaluation.start()
    assert has_read.wait(60)
    with two.session(writes="bookkeeping") as session:
        (one,) = two.recent_recommendations(["a"], NOW, session)
        done = replace(one, state=State.DONE, last_seen=one.last_seen + DAY)  # builds on the other
        two.put_recommendations([done], {"x": one}, session)
    evaluation.join(60)
    assert two.recommendation("x") == replace(stored("x", State.DONE), last_seen=NOW + 2 * DAY)
