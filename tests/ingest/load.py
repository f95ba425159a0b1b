"""A load of readings that can be told apart, to find lost and doubled ones."""

from __future__ import annotations

import time
from collections import Counter

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from service.errors import StoreUnavailableError
from service.store import SeriesKey
from tests.servers import HOST, wait_until

#: How long a condition may take on a loaded machine, s; nothing waits so long unless it fails.
PATIENCE_S = 180.0
TOPIC = "littoral/reed/illuminance"
KEY = SeriesKey("reed", "illuminance", "main")


class Publisher:
    """Publishes 0, 1, 2, … as the reading, at QoS 1, on one connection."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(0.1, 0.1)
        self._published = 0
        self._client.on_publish = self._count_published
        self._client.connect(HOST, port)
        self._client.loop_start()
        self.count = 0

    def send(self, count: int) -> None:
        wait_until(self._client.is_connected, PATIENCE_S)
        for _ in range(count):
            self._client.publish(TOPIC, str(self.count), qos=1)
            self.count += 1
        # Not by wait_for_publish: it raises where the connection was lost just before, though the
        # message is kept and sent with the next one.
        wait_until(lambda: self._published >= self.count, PATIENCE_S)

    def _count_published(self, *_: object) -> None:
        self._published += 1

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def values_of(bench) -> list[float]:
    return bench.store.read(KEY, 0, 1 << 62, flagged=True).value.tolist()


def exactly_once(bench, count: int) -> None:
    """Wait until all are there, then require each once."""
    end_s = time.monotonic() + PATIENCE_S
    while len(set(values_of(bench))) < count:
        assert time.monotonic() < end_s, missing(bench, count)
        time.sleep(0.2)  # reading them all takes the processor from the ingester
    time.sleep(0.3)  # for one too many to come
    found = Counter(values_of(bench))
    doubled = [value for value, times in found.items() if times > 1]
    assert (sorted(found), doubled) == ([float(n) for n in range(count)], [])


def missing(bench, count: int) -> str:
    lost = sorted(set(range(count)) - {int(v) for v in values_of(bench)})
    return f"{len(lost)} missing, from {lost[:5]}"


class AwayStore:
    """A store in front of the real one that can be switched away."""

    def __init__(self, real) -> None:
        self._real = real
        self.away = False
        self.writes_refused = 0

    def __getattr__(self, name):
        return getattr(self._real, name)

    def write(self, readings):
        if self.away:
            self.writes_refused += 1
            raise StoreUnavailableError("the store is away (by this test)")
        self._real.write(readings)
