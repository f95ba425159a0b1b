"""The queue between network thread and writer: batches by size, age and silence; bounded."""

from __future__ import annotations

import threading
import time

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


def test_used_up_window_of_the_broker_ends_a_batch_at_the_next_silence():
    queue = MessageQueue(1000, 60.0, 1000)
    fill(queue, 10)
    assert len(queue.take(1.0)) == 10


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
    now_s, arrivals = [0.0], [n * gap_s for n in range(count)]

    def pause(waiting, timeout_s):
        if arrivals and arrivals[0] <= now_s[0] + timeout_s:
            now_s[0] = max(now_s[0], arrivals.pop(0))
            fill(queue, 1)
        else:
            now_s[0] += timeout_s

    monkeypatch.setattr("ingest.receive.queue.time.monotonic", lambda: now_s[0])
    monkeypatch.setattr(queue, "_pause", pause)
    assert len(queue.take(1.0)) == pytest.approx(taken, abs=1)
    assert now_s[0] <= longest_s
