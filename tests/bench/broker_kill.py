"""What mosquitto loses and doubles of what it acknowledged, when it is killed (``kill -9``).

    python -m tests.bench.broker_kill [--messages 12000] [--kills 5]

Settings of saving: those of mosquitto (every 30 minutes), after every 20 and every single change.
Three situations each: the subscriber is there and the broker is killed again and again under load;
the subscriber is away, as an ingester that is switched off, and the broker is killed at the end;
the subscriber comes, takes all that waited, and then the broker is killed. Messages are numbers, so
that each can be told apart; one is lost when it was acknowledged and never came. A second
delivery that is marked as such (DUP) keeps its packet identifier: the ingester knows it by that.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.servers import HOST, Mosquitto

SETTINGS = {
    "persistence alone": "",
    "autosave_interval 20": "autosave_on_changes true\nautosave_interval 20\n",
    "autosave_interval 1": "autosave_on_changes true\nautosave_interval 1\n",
}
_TOPIC = "numbers"
#: The broker counts as silent when nothing has come for so long, s.
_SILENCE_S = 3.0


@dataclass
class Publisher:
    """Publishes 0, 1, 2, … at QoS 1 and notes which of them were acknowledged."""

    port: int
    topic: str = _TOPIC
    payload: Callable[[int], str] = str
    acknowledged: set[int] = field(default_factory=set)
    count: int = 0
    _waiting: deque[tuple[int, int]] = field(default_factory=deque)
    _published: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(200)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(0.1, 0.1)
        self._client.on_publish = lambda _c, _d, mid, *_: self._published.add(mid)
        self._client.connect(HOST, self.port)
        self._client.loop_start()

    def send(self, count: int, rate: float = 0.0) -> None:
        """Publish some; a rate of 0 is as fast as the broker takes them."""
        start_s = time.monotonic()
        for index in range(count):
            self._note(400)
            info = self._client.publish(self.topic, self.payload(self.count), qos=1)
            self._waiting.append((self.count, info.mid))
            self.count += 1
            if rate:
                time.sleep(max(0.0, start_s + index / rate - time.monotonic()))

    def _note(self, most: int) -> None:
        """Wait until fewer are unacknowledged."""
        while len(self._waiting) >= most:
            while self._waiting and self._waiting[0][1] in self._published:
                self.acknowledged.add(self._waiting.popleft()[0])
            if len(self._waiting) >= most:
                time.sleep(0.001)

    def wait(self) -> None:
        """Wait until all is acknowledged."""
        self._note(1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@dataclass
class Subscriber:
    """Counts what comes, in a session that the broker keeps."""

    port: int
    found: Counter[int] = field(default_factory=Counter)
    marked: int = 0
    last_s: float = field(default_factory=time.monotonic)

    def start(self) -> None:
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="subscriber", clean_session=False
        )
        self._client.reconnect_delay_set(0.1, 0.1)
        self._subscribed = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe(_TOPIC, qos=1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message
        self._client.connect(HOST, self.port)
        self._client.loop_start()
        assert self._subscribed.wait(30)

    def _on_message(self, _c: object, _d: object, message: mqtt.MQTTMessage) -> None:
        number = int(message.payload)
        self.marked += message.dup and number in self.found
        self.found[number] += 1
        self.last_s = time.monotonic()

    def wait(self) -> None:
        """Wait until nothing more comes."""
        self.last_s = time.monotonic()
        while time.monotonic() - self.last_s < _SILENCE_S:
            time.sleep(0.05)

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def subscriber_there(broker: Mosquitto, messages: int, kills: int) -> tuple[Publisher, Subscriber]:
    """The broker is killed again and again under load."""
    publisher, subscriber = Publisher(broker.port), Subscriber(broker.port)
    subscriber.start()
    sending = threading.Thread(target=publisher.send, args=(messages, 600.0))
    sending.start()
    for _ in range(kills):
        time.sleep(messages / 600.0 / (kills + 1) * random.uniform(0.6, 1.0))
        broker.kill()
        broker.start()
    sending.join()
    publisher.wait()
    return publisher, subscriber


def subscriber_away(broker: Mosquitto, messages: int, _kills: int) -> tuple[Publisher, Subscriber]:
    """All waits at the broker, which is killed."""
    publisher, subscriber = Publisher(broker.port), Subscriber(broker.port)
    subscriber.start()
    subscriber.stop()
    publisher.send(messages)
    publisher.wait()
    broker.kill()
    broker.start()
    subscriber.start()
    return publisher, subscriber


def taken_then_killed(
    broker: Mosquitto, messages: int, _kills: int
) -> tuple[Publisher, Subscriber]:
    """All that waited was saved and is taken, then the broker is killed."""
    publisher, subscriber = Publisher(broker.port), Subscriber(broker.port)
    subscriber.start()
    subscriber.stop()
    publisher.send(messages)
    publisher.wait()
    publisher.close()
    broker.restart()  # saves
    subscriber.start()
    subscriber.wait()
    broker.kill()
    broker.start()
    return publisher, subscriber


Situation = Callable[[Mosquitto, int, int], tuple[Publisher, Subscriber]]
SITUATIONS: tuple[Situation, ...] = (subscriber_there, subscriber_away, taken_then_killed)


def measured(settings: str, situation: Situation, messages: int, kills: int) -> str:
    """One line: acknowledged, lost, doubled and how fast."""
    with tempfile.TemporaryDirectory() as folder:
        conf = f"persistence true\npersistence_location {folder}/\n{settings}"
        broker = Mosquitto(Path(folder), conf)
        broker.start()
        start_s = time.monotonic()
        publisher, subscriber = situation(broker, messages, kills)
        took_s = time.monotonic() - start_s
        subscriber.wait()
        subscriber.stop()
        publisher.close()
        broker.stop()
    lost = len(publisher.acknowledged - subscriber.found.keys())
    doubled = sum(times - 1 for times in subscriber.found.values())
    return (
        f"{len(publisher.acknowledged):>8,} acknowledged  {lost:>7,} lost  {doubled:>7,} doubled "
        f"({subscriber.marked:,} marked as such)  "
        f"{messages / took_s:>7,.0f} messages/s"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=12_000)
    parser.add_argument("--kills", type=int, default=5)
    given = parser.parse_args()
    for situation in SITUATIONS:
        print((situation.__doc__ or "").strip())
        for name, settings in SETTINGS.items():
            line = measured(settings, situation, given.messages, given.kills)
            print(f"  {name:<22}{line}", flush=True)


if __name__ == "__main__":
    main()
