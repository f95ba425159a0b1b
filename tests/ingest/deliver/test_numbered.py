"""Messages with a sequence number that come again as new messages."""

from __future__ import annotations

import json

import pytest

from ingest.decode.decoder import Decoder
from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.decode.routes import Router
from ingest.deliver.committer import Committer
from ingest.deliver.numbered import LIFETIME_US, NumberedMessages
from ingest.deliver.spool import Spool
from ingest.process import Calibrations, ClockLimits, Processor
from service.clock import SystemClock
from service.config import RouteConfig
from service.registry.registry import open_registry
from service.store import SeriesKey, open_store

S = 1_000_000
NOW = 1_700_000_000 * S
KEY = SeriesKey("reed", "temperature", "main")
ROUTE = RouteConfig(
    "shed/{tank}/{quantity}", format="json", path="data.value", sequence_path="count"
)


class Ingester:
    """Decoder, processor and committer as the ingester wires them, without a broker."""

    def __init__(self, folder):
        self.store = open_store(f"sqlite:///{folder}/readings.db")
        self.registry = open_registry(f"sqlite:///{folder}/registry.db")
        self.spool = Spool(folder / "spool.db", 10)
        self.committer = Committer(
            self.store,
            self.registry,
            self.spool,
            SystemClock(),
            most_rejections=10,
            max_inflight=100,
        )
        first = self.committer.first_delivery
        self.decoder = Decoder(Router("littoral", [ROUTE]), {"reed"}, first)
        self.processor = Processor(Calibrations, ClockLimits.of_seconds(3600, 300), self.store)

    def take(self, *messages):
        assert self.committer.commit(self.processor.process(self.decoder.decode(messages)))

    def stored(self):
        samples = self.store.read(KEY, 0, 1 << 62, flagged=True)
        return list(zip(samples.time_us.tolist(), samples.value.tolist(), strict=True))

    def close(self):
        self.spool.close()
        self.store.close()
        self.registry.close()


@pytest.fixture
def make(tmp_path):
    made = []

    def start():
        if made:
            made.pop().close()
        made.append(Ingester(tmp_path))
        return made[-1]

    yield start
    made.pop().close()


def numbered(value, sequence, after_s=0, topic="littoral/reed/temperature", mid=1):
    payload = json.dumps({"value": value, "sequence": sequence}).encode()
    return Message(topic, payload, NOW + after_s * S, mid, 1)


def test_a_backlog_that_comes_again_as_new_messages_is_stored_once(make):
    backlog = [numbered(24.0 + n / 100, n, n, mid=n + 1) for n in range(50)]
    make().take(*backlog)
    again = [
        one._replace(arrival_us=one.arrival_us + 600 * S, mid=200 + one.mid) for one in backlog
    ]
    ingester = make()  # also after a restart
    ingester.take(*again[:20])
    ingester.take(*again[20:])
    assert ingester.stored() == [(NOW + n * S, 24.0 + n / 100) for n in range(50)]


def test_two_copies_in_one_batch_are_stored_once_also_at_qos_0(make):
    ingester = make()
    ingester.take(numbered(24.0, 7), numbered(24.0, 7, 1, mid=2), numbered(24.0, 8, 2, mid=3))
    lost_state = numbered(24.1, 9, 5)._replace(qos=0, mid=0)
    ingester.take(lost_state)
    ingester.take(lost_state._replace(arrival_us=NOW + 9 * S))
    assert ingester.stored() == [(NOW, 24.0), (NOW + 2 * S, 24.0), (NOW + 5 * S, 24.1)]


def test_the_same_number_from_another_board_or_of_another_value_is_another_reading(make):
    ingester = make()
    ingester.take(numbered(24.0, 1))
    ingester.take(numbered(24.0, 1, 1, "littoral/reed/temperature/rear"))
    ingester.take(numbered(24.5, 1, 2))  # the board has counted from the start again
    assert [value for _, value in ingester.stored()] == [24.0, 24.5]
    assert len(ingester.store.series("reed")) == 2


def test_a_route_names_where_the_number_stands(make):
    ingester = make()
    payload = b'{"count": "a4-17", "data": {"value": 24.5}}'
    for after_s in (0, 30):
        ingester.take(Message("shed/reed/temperature", payload, NOW + after_s * S, after_s + 1, 1))
    assert ingester.stored() == [(NOW, 24.5)]


@pytest.mark.parametrize("sequence", [1.5, True, [1]])
def test_what_is_no_sequence_number_is_rejected_with_what_is_allowed(make, sequence):
    ingester = make()
    ingester.take(numbered(24.0, sequence))
    (rejected,) = ingester.registry.rejections(limit=5)
    assert rejected.reason_code == "bad-json"
    assert "sequence is" in rejected.detail
    assert "allowed: a whole number or a text" in rejected.detail


def test_what_is_remembered_is_bounded_in_number_and_time(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    known = NumberedMessages(spool, most=100)
    for n in range(5000):
        message = numbered(24.0, n)._replace(numbered=True)
        known.add([(message, FirstDelivery(NOW, ClockState.RIGHT))])
        if n % 10 == 9:
            known.write()
    assert sum(map(len, spool.entries("numbered"))) < 17 * 2200
    for one in (known, NumberedMessages(spool, most=100)):
        found = [
            n for n in range(5000) if one.first_delivery(numbered(24.0, n)._replace(numbered=True))
        ]
        assert found == list(range(4900, 5000))
    later = numbered(24.0, 4999, LIFETIME_US // S + 1)._replace(numbered=True)
    assert known.first_delivery(later) is None
    spool.close()
