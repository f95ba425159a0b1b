"""The way of InfluxDB 2.x and 3.x: token, organisation, bucket, v2 writes, InfluxQL reads.

The server is a stand-in before a real 1.x one (``v2_front``). The same v2 writes by the same
client go to a real server in the contract suite of VictoriaMetrics.
"""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

import pytest
import requests

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store import Extent, Flag, Reading, SeriesKey, open_store
from service.times import to_us
from tests.servers import HOST
from tests.store.v2_front import ORG, TOKEN, v2_front

SECOND, DAY = 1_000_000, 86_400_000_000
T0 = to_us(datetime(2026, 3, 1, 22, 41, 17, tzinfo=UTC))
KEY = SeriesKey("quarry-pool", "ph", "probe-1")


def reading(time_us, value=6.6, flags=Flag.NONE, raw=None):
    return Reading(*("quarry-pool", "ph", "probe-1"), time_us, value, flags, raw)


@pytest.fixture
def seen():
    return []


@pytest.fixture
def front(influxdb, seen):
    with v2_front(influxdb.url, seen) as port:
        yield port


def url_of(port, bucket, token=TOKEN):
    return f"influx://{HOST}:{port}/?token={token}&org={ORG}&bucket={bucket}"


@pytest.fixture
def bucket():
    return uuid.uuid4().hex


def test_bucket_is_made_written_and_read(front, bucket, seen):
    store = open_store(url_of(front, bucket))
    assert "POST /api/v2/buckets" in seen
    store.write([reading(T0 + i * SECOND, 6.0 + i, raw=float(i)) for i in range(5)])
    store.write([reading(T0, 9.0, Flag.SPIKE)])
    assert f"POST /api/v2/write?org={ORG}&bucket={bucket}&precision=ns" in seen
    assert store.extent(KEY) == Extent(5, T0, T0 + 4 * SECOND)
    assert store.read(KEY, T0, T0 + DAY).value.tolist() == [7.0, 8.0, 9.0, 10.0]
    assert store.aggregate(KEY, T0, T0 + DAY, DAY).count.tolist() == [4]
    assert store.latest(KEY) == reading(T0 + 4 * SECOND, 10.0, raw=4.0)
    assert store.delete_tank("quarry-pool") == 5
    assert store.health().reachable
    store.close()


def test_bucket_that_is_there_is_not_made_again(front, bucket, seen):
    open_store(url_of(front, bucket)).close()
    seen.clear()
    open_store(url_of(front, bucket)).close()
    assert "POST /api/v2/buckets" not in seen


def test_wrong_token_is_refused_and_never_shown(front, bucket):
    with pytest.raises(StoreRefusedError, match="does not accept the credentials") as caught:
        open_store(url_of(front, bucket, token="sesame"))
    assert "sesame" not in str(caught.value)


def test_bucket_that_was_deleted_is_made_again(front, bucket, influxdb):
    store = open_store(url_of(front, bucket))
    drop = {"q": f'DROP DATABASE "{bucket}"'}
    requests.post(f"{influxdb.url}/query", data=drop, timeout=60).raise_for_status()
    with pytest.raises(StoreUnavailableError, match="not found"):
        store.write([reading(T0)])
    store.write([reading(T0)])
    assert store.extent(KEY).count == 1
    store.close()


def test_readings_past_the_buckets_retention_are_left_out_and_counted(front, bucket, influxdb):
    make = {"q": f'CREATE DATABASE "{bucket}" WITH DURATION 1d'}
    requests.post(f"{influxdb.url}/query", data=make, timeout=60).raise_for_status()
    store = open_store(url_of(front, bucket))
    now = to_us(datetime.now(UTC))
    store.write([reading(now - 400 * DAY), reading(now)])
    assert store.health().numbers["left_out_past_retention"] == 1
    assert len(store.read(KEY, 0, now + 1)) == 1
    store.close()


def test_server_that_goes_away_is_unavailable(influxdb, bucket, seen):
    with v2_front(influxdb.url, seen) as port:
        store = open_store(url_of(port, bucket))
        store.write([reading(T0)])
    with pytest.raises(StoreUnavailableError, match="no answer"):
        store.write([reading(T0)])
    store.close()
