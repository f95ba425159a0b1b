"""The queue between network thread and writer: batches by size, age and silence; bounded."""

from __future__ import annotations

import threading
import time
import tracemalloc

import pytest

from ingest.decode.message import Message
from ingest.receive.queue import BYTES_LIMIT, MessageQueue


def fill(queue, count, payload=b"1"):
    for n in range(count):
        queue.put(Message("littoral/reed/ph", payload, n))
    queue.notify()


def test_empty_queue_gives_nothing_after_the_timeout():
    assert MessageQueue(10, 1.0, 100).take(0.01) == []


def test_full_batch_is_taken_without_delay_and_in_order():
    queue = MessageQueue(10, 60.0, 100)
    fill(queue, 25)
    assert [m.arrival_us for m in queue.take(1.0)] == list(range(10))
    assert [m.arrival_us for m in queue.take(1.0)] == list(range(10, 20))
    assert len(queue) == 5


def test_small_batch_waits_for_its_age():
    queue = MessageQueue(10, 0.2, 100)
    fill(queue, 1)
    start_s = time.monotonic()
    assert len(queue.take(1.0)) == 1
    assert time.monotonic() - start_s >= 0.2


def test_the_writer_is_not_held_up_by_a_batch_that_is_not_complete(monkeypatch):
    """It has something else to do: to take over new routes."""
    queue = MessageQueue(1000, 60.0, 10_000)
    now_s = simulated(monkeypatch, queue, [(float(n), "ph") for n in range(100)])
    assert len(queue.take(1.0)) == 2
    asked = 0
    while not (batch := queue.take(0.2)):
        asked += 1
        assert now_s[0] == pytest.approx(1.0 + 0.2 * asked)
    assert (now_s[0], len(batch)) == (pytest.approx(61.0), 60)


def test_used_up_window_of_the_broker_ends_a_batch_at_the_next_silence():
    queue = MessageQueue(1000, 60.0, 1000)
    fill(queue, 10)
    assert len(queue.take(1.0)) == 10


@pytest.mark.parametrize(("limit", "payload"), [(3, b"1"), (5000, bytes(BYTES_LIMIT // 2))])
def test_a_batch_ends_where_there_is_no_room_for_more(monkeypatch, limit, payload):
    """So many are the window that the broker was given: it sends no more before they are stored."""
    queue = MessageQueue(1000, 60.0, limit)
    now_s = simulated(monkeypatch, queue, [(0.0, "littoral/reed/ph")])
    assert len(queue.take(1.0)) == 1
    now_s[0] += 10.0
    before_s = now_s[0]
    fill(queue, 3, payload)
    assert len(queue.take(1.0)) == 3
    assert now_s[0] == before_s


def test_closed_queue_is_emptied_without_delay():
    queue = MessageQueue(10, 60.0, 100)
    fill(queue, 3)
    queue.close()
    assert (len(queue.take(60.0)), queue.take(60.0)) == (3, [])


def test_closing_wakes_a_writer_that_waits():
    queue = MessageQueue(10, 60.0, 100)
    taken = []
    thread = threading.Thread(target=lambda: taken.append(queue.take(60.0)))
    thread.start()
    queue.close()
    thread.join(60)
    assert taken == [[]]


def test_room_is_bounded_by_number_and_by_bytes():
    queue = MessageQueue(10, 0.0, 5)
    fill(queue, 4)
    assert queue.has_room
    fill(queue, 1)
    assert not queue.has_room
    queue.take(1.0)
    assert queue.has_room
    fill(queue, 1, bytes(BYTES_LIMIT))
    assert not queue.has_room
    queue.take(1.0)
    assert queue.has_room


def test_topics_count_as_payload_does():
    """The longest topic that MQTT allows has 65,535 bytes (section 1.5.4)."""
    queue = MessageQueue(10, 0.0, 65_535)
    for n in range(BYTES_LIMIT // 65_535):
        queue.put(Message("x" * 65_535, b"", n))
    assert not queue.has_room
    while queue.take(0.0):
        continue
    assert queue.has_room


def test_topics_that_were_seen_take_no_room():
    """Whoever may publish chooses their length."""
    queue = MessageQueue(10, 0.0, 10)
    tracemalloc.start()
    try:
        for n in range(200):
            queue.put(Message(f"{n}/" + "x" * 65_000, b"", n))
            queue.take(0.0)
        assert tracemalloc.get_traced_memory()[0] < 100_000
    finally:
        tracemalloc.stop()


def test_empty_messages_take_room_too():
    queue = MessageQueue(10, 0.0, 10**9)
    for n in range(BYTES_LIMIT // 400):
        queue.put(Message("a", b"", n))
    assert not queue.has_room


@pytest.mark.parametrize(
    ("gap_s", "count", "taken", "longest_s"),
    [
        (0.0001, 20, 20, 0.02),  # a broker's window: nothing more comes before it is acknowledged
        (0.01, 500, 100, 1.0),  # 100 a second: as many as come within the age
        (0.001, 5000, 1000, 1.1),
    ],
)
def test_a_batch_ends_at_a_silence_that_is_long_beside_the_usual_gap(
    monkeypatch, gap_s, count, taken, longest_s
):
    queue = MessageQueue(1000, 1.0, 10_000)
    now_s = simulated(monkeypatch, queue, [(n * gap_s, "ph") for n in range(count)])
    assert len(queue.take(1.0)) == pytest.approx(taken, abs=1)
    assert now_s[0] <= longest_s


def simulated(monkeypatch, queue, arrivals):
    """A clock that moves while the queue sleeps, and messages (when, topic) that come by it."""
    now_s, arrivals = [0.0], list(arrivals)

    def pause(waiting, timeout_s):
        if arrivals and arrivals[0][0] <= now_s[0] + timeout_s:
            now_s[0] = max(now_s[0], arrivals[0][0])
            queue.put(Message(arrivals.pop(0)[1], b"1", 0))
        else:
            now_s[0] += timeout_s

    monkeypatch.setattr("ingest.receive.queue.time.monotonic", lambda: now_s[0])
    monkeypatch.setattr(queue, "_pause", pause)
    return now_s


def batches(queue, now_s, until_s):
    """When each batch was taken, and how many messages it had."""
    found = []
    while now_s[0] < until_s:
        if batch := queue.take(0.2):
            found.append((round(now_s[0]), len(batch)))
            queue.acknowledging()
    return found


def test_batches_are_an_age_apart_and_the_first_after_a_pause_is_taken_at_once(monkeypatch):
    """Three boards, each with three sensors, once a minute; after five minutes one alone."""
    boards = [
        (60 * minute + 20 * board + 0.01 * sensor, f"{board}/{sensor}")
        for minute in range(5)
        for board in range(3)
        for sensor in range(3)
    ]
    queue = MessageQueue(1000, 60.0, 10_000)
    now_s = simulated(monkeypatch, queue, [*boards, (500.0, "0/0"), (620.0, "0/0")])
    assert batches(queue, now_s, 625.0) == [
        (1, 3), (21, 3), (41, 3),  # of topics that are new
        (101, 9), (161, 9), (221, 9), (281, 9),
        (501, 1), (621, 1),
    ]  # fmt: skip


def test_a_new_topic_does_not_wait_for_the_age(monkeypatch):
    queue = MessageQueue(1000, 60.0, 10_000)
    now_s = simulated(monkeypatch, queue, [(0.0, "a"), (5.0, "a"), (7.0, "b")])
    assert batches(queue, now_s, 60.0) == [(1, 1), (7, 2)]


@pytest.mark.parametrize("window", [1, 3])
def test_a_small_window_of_the_broker_is_no_brake(monkeypatch, window):
    """It sends no more before what it has sent is acknowledged: before the next batch is asked."""
    queue = MessageQueue(1000, 60.0, 10_000)
    now_s = simulated(monkeypatch, queue, [])
    waiting = [Message("a", b"1", n) for n in range(30)]

    def acknowledge():
        original()
        for message in waiting[:window]:
            queue.put(message)
        del waiting[:window]

    original = queue.acknowledging
    monkeypatch.setattr(queue, "acknowledging", acknowledge)
    queue.acknowledging()
    found = batches(queue, now_s, 100.0)
    assert sum(count for _, count in found) == 30
    assert found[-1][0] <= 32


def test_what_comes_all_the_time_is_no_backlog(monkeypatch):
    """Five a second: the next one always comes soon after an acknowledgement."""
    queue = MessageQueue(1000, 60.0, 10_000)
    now_s = simulated(monkeypatch, queue, [(0.2 * n, "a") for n in range(700)])
    assert batches(queue, now_s, 130.0) == [(1, 6), (61, 300), (121, 300)]
