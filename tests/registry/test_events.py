"""Events keep one order; deliveries are made at least once, in order for each subject."""

import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy.event import listen

from service.errors import ConflictError, NotFoundError
from service.registry.models.events import DeliveryState, NewEvent, Revision
from service.registry.models.tank import Tank
from service.registry.tables.advice import RecommendationRow
from service.registry.tables.processes import StatusRow
from tests.registries import postgresql_registry

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def event(number, subject="a/1", tank="a", time=NOW):
    return NewEvent("recommendation.opened", subject, tank, time, {"number": number})


def numbers(items):
    return [getattr(item, "event", item).data["number"] for item in items]


def test_events_come_back_in_order_and_from_where_one_left_off(registry):
    assert registry.last_sequence() == 0
    registry.add_events([event(n) for n in range(5)])
    registry.add_events([])
    seen = registry.events()
    assert numbers(seen) == [0, 1, 2, 3, 4]
    assert numbers(registry.events(seen[2].sequence)) == [3, 4]
    assert numbers(registry.events(seen[0].sequence, limit=2)) == [1, 2]
    assert registry.last_sequence() == seen[-1].sequence
    assert len({one.id for one in seen}) == 5
    assert seen[0].time == NOW


def test_events_of_one_tank(registry):
    registry.add_events([event(0, tank="a"), event(1, tank="b")])
    assert numbers(registry.events(tank="b")) == [1]


def test_events_belong_to_the_transaction_of_their_cause(registry):
    with pytest.raises(ZeroDivisionError), registry.session(writes="bookkeeping") as session:
        session.add(StatusRow(name="cause", document={}))
        registry.add_events([event(1)], session)
        raise ZeroDivisionError
    assert registry.events() == []
    with registry.session(writes="bookkeeping") as session:
        session.add(StatusRow(name="cause", document={}))
        registry.add_events([event(2)], session)
    assert numbers(registry.events()) == [2]
    assert list(registry.statuses()) == ["cause"]


def test_a_listener_misses_no_event_of_several_writers(registry):
    def write(writer):
        for number in range(20):
            registry.add_events([event((writer, number)), event((writer, number))])

    writers = [threading.Thread(target=write, args=(writer,)) for writer in range(3)]
    for writer in writers:
        writer.start()
    heard, after = 0, 0
    while heard < 120:
        news = registry.events(after, limit=7)
        if news:
            assert [one.sequence for one in news] == sorted(one.sequence for one in news)
            after = news[-1].sequence
            heard += len(news)
        elif not any(writer.is_alive() for writer in writers):
            heard += len(registry.events(after))
            break
    for writer in writers:
        writer.join()
    assert heard == 120


def test_a_number_is_not_used_again_after_pruning(registry):
    registry.add_events([event(1)])
    before = registry.last_sequence()
    assert registry.prune_events(NOW + MINUTE) == 1
    registry.add_events([event(2)])
    assert registry.events(before)[0].sequence > before


def test_a_new_target_starts_with_what_comes_next(registry):
    registry.add_events([event(0)])
    assert registry.hand_over("hook", NOW) == 0
    registry.add_events([event(1, "a/1"), event(2, "a/2")])
    assert registry.hand_over("hook", NOW) == 2
    assert registry.hand_over("hook", NOW) == 0
    assert numbers(registry.claim_deliveries("hook", NOW, MINUTE)) == [1, 2]


def test_a_claimed_delivery_is_given_to_nobody_else_until_the_claim_runs_out(registry):
    registry.hand_over("hook", NOW)
    registry.add_events([event(1)])
    registry.hand_over("hook", NOW)
    assert numbers(registry.claim_deliveries("hook", NOW, MINUTE)) == [1]
    assert registry.claim_deliveries("hook", NOW + MINUTE / 2, MINUTE) == []
    assert numbers(registry.claim_deliveries("hook", NOW + MINUTE, MINUTE)) == [1]


def test_a_delivered_one_is_settled_for_good(registry):
    registry.hand_over("hook", NOW)
    registry.add_events([event(1)])
    registry.hand_over("hook", NOW)
    [delivery] = registry.claim_deliveries("hook", NOW, MINUTE)
    registry.settle_delivered(delivery.id, NOW + MINUTE)
    registry.settle_dead(delivery.id, NOW, "too late to say so")
    [settled] = registry.deliveries()
    assert (settled.state, settled.attempts, settled.settled, settled.last_error) == (
        DeliveryState.DELIVERED, 1, NOW + MINUTE, "",
    )  # fmt: skip
    assert registry.claim_deliveries("hook", NOW + 60 * MINUTE, MINUTE) == []


def test_a_failed_one_waits_and_is_counted(registry):
    registry.hand_over("hook", NOW)
    registry.add_events([event(1)])
    registry.hand_over("hook", NOW)
    [delivery] = registry.claim_deliveries("hook", NOW, 10 * MINUTE)
    registry.put_off(delivery.id, NOW + 5 * MINUTE, "HTTP 503")
    assert registry.claim_deliveries("hook", NOW + 4 * MINUTE, MINUTE) == []
    [again] = registry.claim_deliveries("hook", NOW + 5 * MINUTE, MINUTE)
    assert (again.attempts, again.last_error) == (1, "HTTP 503")


def test_a_subject_keeps_its_order_and_holds_up_no_other(registry):
    registry.hand_over("hook", NOW)
    registry.add_events([event(1, "a/1"), event(2, "a/1"), event(3, "a/2")])
    registry.hand_over("hook", NOW)
    first, other = registry.claim_deliveries("hook", NOW, MINUTE)
    assert numbers([first, other]) == [1, 3]
    registry.put_off(first.id, NOW + 9 * MINUTE, "HTTP 500")
    registry.settle_delivered(other.id, NOW)
    assert registry.claim_deliveries("hook", NOW + 5 * MINUTE, MINUTE) == []
    registry.settle_dead(first.id, NOW, "given up")
    assert numbers(registry.claim_deliveries("hook", NOW + 5 * MINUTE, MINUTE)) == [2]


def test_a_dead_one_is_listed_and_sent_again(registry):
    registry.hand_over("hook", NOW)
    registry.add_events([event(1)])
    registry.hand_over("hook", NOW)
    [delivery] = registry.claim_deliveries("hook", NOW, MINUTE)
    with pytest.raises(ConflictError, match="waiting; only a dead one"):
        registry.redeliver(delivery.id, NOW)
    registry.settle_dead(delivery.id, NOW, "HTTP 410 " + "x" * 9999)
    [dead] = registry.deliveries(states=[DeliveryState.DEAD])
    assert dead.last_error.startswith("HTTP 410")
    assert len(dead.last_error) == 500
    assert registry.redeliver(dead.id, NOW + MINUTE).attempts == 0
    assert numbers(registry.claim_deliveries("hook", NOW + MINUTE, MINUTE)) == [1]
    with pytest.raises(NotFoundError):
        registry.redeliver(10**9, NOW)


def test_targets_are_independent(registry):
    for target in ("one", "two"):
        registry.hand_over(target, NOW)
    registry.add_events([event(1)])
    assert [registry.hand_over(target, NOW) for target in ("one", "two")] == [1, 1]
    [delivery] = registry.claim_deliveries("one", NOW, MINUTE)
    registry.settle_dead(delivery.id, NOW, "gone")
    assert registry.delivery_counts() == {
        ("one", DeliveryState.DEAD): 1,
        ("two", DeliveryState.WAITING): 1,
    }
    assert numbers(registry.deliveries(target="two", limit=1)) == [1]
    registry.retain_targets({"one", "never used"})
    assert registry.delivery_counts() == {("one", DeliveryState.DEAD): 1}
    assert registry.hand_over("two", NOW) == 0


def test_a_slow_hand_over_takes_nothing_back_of_a_faster_one(postgresql):
    with closing(postgresql_registry(postgresql)) as registry:
        registry.hand_over("hook", NOW)
        registry.add_events([event(0)])
        overtaken = []

        def overtake(connection, cursor, statement, *_):
            if "FROM target" in statement and "FOR UPDATE" in statement and not overtaken:
                overtaken.append(statement)
                registry.add_events([event(1)])
                assert registry.hand_over("hook", NOW) == 2

        listen(registry.engine, "before_cursor_execute", overtake)
        assert registry.hand_over("hook", NOW) == 0
        assert overtaken
        assert registry.hand_over("hook", NOW) == 0
        registry.add_events([event(2, subject="a/2")])
        assert registry.hand_over("hook", NOW) == 1
        assert numbers(reversed(registry.deliveries())) == [0, 1, 2]


def test_pruning_spares_what_still_waits(registry):
    registry.hand_over("hook", NOW)
    registry.add_events([event(1, "a/1"), event(2, "a/2"), event(3, "a/3", time=NOW + MINUTE)])
    registry.hand_over("hook", NOW)
    first, *_ = registry.claim_deliveries("hook", NOW, MINUTE)
    registry.settle_delivered(first.id, NOW)
    assert registry.prune_events(NOW + MINUTE) == 1
    assert numbers(registry.events()) == [2, 3]
    assert numbers(registry.deliveries()) == [3, 2]


def test_a_subject_has_the_revision_of_its_newest_event(registry):
    late = NOW + MINUTE
    registry.add_events([event(1, "a/1"), event(2, "a/2"), event(3, "a/1", time=late)])
    first, second, third = registry.events()
    assert registry.revisions(["a/1", "a/2", "a/3"]) == {
        "a/1": Revision(third.sequence, late),
        "a/2": Revision(second.sequence, NOW),
    }
    assert first.sequence < second.sequence < third.sequence
    assert registry.revisions([]) == {}


def test_pruning_spares_the_events_of_what_still_stands(registry):
    registry.put_tank(Tank("a", "A"))
    rows = [
        RecommendationRow(
            id=id, tank="a", code="c", subject=id, severity=1, state=state, folded=False,
            first_seen=NOW, last_seen=NOW, finding={},
        )
        for id, state in (("r1", "open"), ("r2", "snoozed"), ("r3", "cleared"))
    ]  # fmt: skip
    with registry.session(writes="bookkeeping") as session:
        session.add_all(rows)
    registry.add_events([event(1, "r1"), event(2, "r2"), event(3, "r3"), event(4, "r4")])
    assert registry.prune_events(NOW + MINUTE) == 2
    assert numbers(registry.events()) == [1, 2]
