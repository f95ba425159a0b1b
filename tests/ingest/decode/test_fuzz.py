"""Whatever strangers publish: a reading or a rejection, never a crash and never a stall."""

from __future__ import annotations

import json
import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.decode.decoder import Decoder, decode
from ingest.decode.message import Message, Reason
from ingest.decode.routes import Router
from ingest.deliver.encoding import decode_readings, encode_readings
from ingest.deliver.journal import Journal
from ingest.deliver.spool import Spool
from ingest.process import Calibrations, ClockLimits, Processor
from service.config import RouteConfig
from service.store import open_store
from tests.ingest.conftest import publish, publish_lines
from tests.servers import wait_until

TANKS = frozenset({"reed", "sedge"})
ROUTES = (
    RouteConfig("json/{tank}/{quantity}", format="json", path="a.0.b", time_path="t", unit="degF"),
    RouteConfig("number/{tank}/{quantity}", format="number"),
    RouteConfig("senml/{tank}", format="senml", names={"temp": "temperature"}),
    RouteConfig("line/{tank}", format="line"),
    RouteConfig("any/#", tank="reed", quantity="ph"),
)
TOPICS = (
    "littoral/reed/temperature",
    "littoral/reed/ph/probe",
    "littoral/reed",
    "json/reed/temperature",
    "number/reed/ph",
    "senml/reed",
    "line/reed",
    "any/where",
)
SEEDS = (
    b"24.5",
    "72.5 °F".encode(),
    b'{"value": 24.5, "unit": "degF", "time": 1700000000, "sensor": "a"}',
    b'{"a": [{"b": 24.5}], "t": "2023-11-14T22:13:20Z"}',
    b'[{"bn":"x:","bt":1.7e9,"bu":"Cel","bver":10,"n":"temp","v":24.5},{"n":"ph","u":"pH","v":7}]',
    b"water,sensor=a temperature=24.5,ph=6.6 1700000000000000000\nph value=6.6",
)
PIECES = (
    *(bytes([n]) for n in range(256)),
    *b'NaN Infinity -1e999 1e308 null true [] {} [{ }] \\u0000 \\ud800 " : , 0x10 _ e'.split(),
    *(b"9" * 400, b"[" * 60, b"\xff\xfe", b"\xed\xa0\x80", "µ°".encode(), b'"v":', b'"t":-1e300'),
    *(b'"bver":', b'"x_":1', b"1e-400", b"-0.0", b" degC", b" pH", b" K**9", b" m^-", b"/0"),
)
ALLOWED = {reason.value for reason in Reason}


def malformed(chance: random.Random) -> bytes:
    """A seed, cut, joined and overwritten at random."""
    data = bytearray(chance.choice(SEEDS))
    for _ in range(chance.randint(1, 6)):
        at = chance.randint(0, len(data))
        change = chance.random()
        if change < 0.4:
            data[at : at + chance.randint(0, 3)] = chance.choice(PIECES)
        elif change < 0.6:
            del data[at : at + chance.randint(1, 20)]
        elif change < 0.8:
            data[at:at] = chance.choice(SEEDS)
        else:
            data[at:at] = chance.choice(PIECES) * chance.randint(1, 5)
    return bytes(data)


def check(samples, rejections):
    for sample in samples:
        assert sample.tank in TANKS
        assert math.isfinite(sample.value)
    for rejection in rejections:
        assert rejection.reason_code in ALLOWED
        assert rejection.detail
        assert len(rejection.payload_excerpt) <= 200


@pytest.mark.slow
def test_100_000_malformed_payloads_decode_to_samples_or_rejections():
    router = Router("littoral", ROUTES)
    chance = random.Random(20310504)
    kept = refused = 0
    for number in range(100_000):
        topic = TOPICS[number % len(TOPICS)]
        message = Message(topic, malformed(chance), 1_700_000_000_000_000 + number)
        samples, rejections, _ = decode(message, router.targets(topic), TANKS)
        check(samples, rejections)
        kept += bool(samples)
        refused += bool(rejections)
    assert kept > 1_000
    assert refused > 50_000


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["24.5", "72 °F", "1e999", "2023-11-14T22:13:20Z"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                [*"abnuvts", "value", "unit", "time", "sensor", "bn", "bt", "bu", "bv", "bs", "x_"]
            ),
            inner,
            max_size=6,
        )
    ),
    max_leaves=20,
)


@settings(max_examples=400, deadline=None)
@given(document=JSON, topic=st.sampled_from(TOPICS))
def test_any_json_document(document, topic):
    payload = json.dumps(document).encode()
    samples, rejections, _ = decode(
        Message(topic, payload, 1), Router("littoral", ROUTES).targets(topic), TANKS
    )
    check(samples, rejections)
    # A SenML pack of nothing but base values is right and says nothing.
    assert samples or rejections or isinstance(document, list)


@settings(max_examples=300, deadline=None)
@given(topic=st.text(max_size=40), payload=st.binary(max_size=60))
def test_any_topic_and_payload(topic, payload):
    router = Router("littoral", ROUTES)
    for name in (topic, f"littoral/{topic}", f"any/{topic}"):
        check(*decode(Message(name, payload, 1), router.targets(name), TANKS)[:2])


def test_what_decodes_can_always_be_stored(tmp_path):
    """Nothing that passes the decoder may be refused by the store: it would come back for ever."""
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 1000)
    decoder = Decoder(Router("littoral", ROUTES), TANKS, journal.first_delivery)
    processor = Processor(Calibrations, ClockLimits(3600 * 10**6, 300 * 10**6), None)
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    chance = random.Random(7)
    messages = [
        Message(topic, malformed(chance), 1_700_000_000_000_000 + n, n % 65_535 + 1, 1)
        for n in range(4000)
        for topic in (chance.choice(TOPICS),)
    ]
    batch = processor.process(decoder.decode(messages))
    assert len(batch.readings) > 50
    store.write(batch.readings)
    assert decode_readings(encode_readings(batch.readings)) == batch.readings
    store.close()
    spool.close()


def test_more_bad_messages_than_may_be_in_flight_release_their_places(mosquitto, make_bench):
    bench = make_bench(mosquitto, max_inflight=50)
    bench.start()
    publish_lines(mosquitto, "littoral/reed/ph", ["sour"] * 151)
    publish(mosquitto, "littoral/reed/ph", "6.6")
    assert bench.wait_for("reed", "ph").value == 6.6
    wait_until(lambda: bench.status()["acknowledged"] == 152)
    assert bench.registry.rejection_counts() == {"not-a-number": 151}


def test_rejections_are_bounded_and_all_counted(mosquitto, make_bench):
    bench = make_bench(mosquitto, rejections_kept=20)
    bench.start()
    publish_lines(mosquitto, "littoral/reed/ph", [f"sour {n}" for n in range(500)])
    wait_until(lambda: bench.status()["rejected"] == 500)
    kept = bench.registry.rejections(limit=1000)
    assert [r.payload_excerpt for r in kept] == [f"sour {n}" for n in range(499, 479, -1)]
    assert bench.registry.rejection_counts() == {"not-a-number": 500}
