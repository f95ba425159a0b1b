"""Topics of integrations that were removed from the configuration, at a real broker."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

import paho.mqtt.publish as publish
import pytest

from service.advice.sharing.leases import AllTanks, SharedLeases
from service.clock import SystemClock
from service.config import (
    AdviceConfig,
    Config,
    HomieOptions,
    HubOptions,
    IntegrationConfig,
    MqttConfig,
)
from service.derive.caching.drift_cache import MorningDrifts
from service.integrations.configured import configured_integrations
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.retired import clearing
from service.integrations.retired.clearing import RetiredIntegrations, clear
from service.integrations.retired.publication import (
    Publication,
    publications,
    record,
    recorded,
)
from tests.cli.conftest import Outcome, littoral  # noqa: F401 - a fixture used here too
from tests.derive.pieces import a_tank
from tests.integrations.conftest import Home
from tests.integrations.retained import retained_at
from tests.servers import HOST, Mosquitto, free_port, wait_until

Start = Callable[..., Mosquitto]
ALL = Config(
    integrations=(
        IntegrationConfig("h", HomieOptions()),
        IntegrationConfig("r", HubOptions(discovery="device")),
        IntegrationConfig("s", HubOptions(device="second")),
    )
)
FOREIGN = {
    "homie/5/another/$state": "ready",
    "homeassistant/sensor/another/x/config": "{}",
    "littoral/pond/advice/summary": '{"publisher":"somebody"}',
}


@pytest.fixture(autouse=True)
def join_wait_s(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing else is started here."""
    monkeypatch.setattr(clearing, "JOIN_WAIT_S", 0.0)


def run(config: Config, home: Home) -> None:
    """Start as the service does, evaluate once, stop."""
    parts = (home.registry, home.store, SystemClock(), MorningDrifts(), lambda: None, AllTanks())
    made = configured_integrations(config, *parts)
    RetiredIntegrations(config, home.registry, threading.Event()).start()
    for one in made:
        one.start()
    wait_until(lambda: all(one.is_connected for one in made))  # type: ignore[attr-defined]
    home.scheduler(*made).evaluate_all()
    for one in made:
        one.stop()


def at(broker: Mosquitto, config: Config) -> Config:
    return replace(config, mqtt=MqttConfig(url=broker.url))


def begins(topics: dict[str, str], *starts: str) -> set[str]:
    return {one for one in topics if one.startswith(starts)}


def test_the_next_start_empties_what_is_no_longer_configured(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    home.registry.put_tank(a_tank(id="fern"))
    run(at(broker, ALL), home)
    publish.multiple([(*one, 1, True) for one in FOREIGN.items()], HOST, broker.port)
    full = retained_at(broker.port)
    mine = begins(full, "homie/5/littoral", "homeassistant/device/littoral-")
    second = begins(full, "homeassistant/sensor/second-", "littoral/$hub/second/")
    assert mine and len(second) > 10 and begins(full, "littoral/reed/advice/")
    home.registry.delete_tank("fern")  # nobody is there who knows of it

    less = replace(ALL, integrations=ALL.integrations[2:], advice=AdviceConfig(publish=False))
    run(at(broker, less), home)
    left = retained_at(broker.port)
    starts = ("homeassistant/", "littoral/$hub/second/")
    kept = {one for one in second if "-fern/" not in one and "/fern/" not in one}
    assert kept <= begins(left, *starts)
    assert not begins(left, "homie/5/littoral", "homeassistant/device/", "littoral/reed/advice/")
    assert not begins(left, "littoral/$hub/littoral/", "littoral/$advice/")
    assert left.items() >= FOREIGN.items()
    assert recorded(home.registry) == publications(less)


def test_a_broker_that_is_away_leaves_them_for_the_next_start(home: Home) -> None:
    away = replace(ALL, mqtt=MqttConfig(url=f"mqtt://{HOST}:{free_port()}"))
    RetiredIntegrations(away, home.registry, threading.Event()).start()
    none = replace(away, integrations=(), advice=AdviceConfig(publish=False))
    stopping = threading.Event()
    stopping.set()  # as soon as it has begun
    RetiredIntegrations(none, home.registry, stopping).start()
    assert recorded(home.registry) == publications(away)


def test_the_command_empties_them(
    home: Home,
    start_mosquitto: Start,
    tmp_path: Path,
    littoral: Callable[..., Outcome],  # noqa: F811
) -> None:
    broker = start_mosquitto(tmp_path)
    run(at(broker, ALL), home)
    publish.multiple([(*one, 1, True) for one in FOREIGN.items()], HOST, broker.port)
    file = tmp_path / "littoral.toml"
    file.write_text(
        f'[mqtt]\nurl = "{broker.url}"\n[registry]\nurl = "sqlite:///{tmp_path}/home.db"\n'
        '[[integration]]\nkind = "homie"\nname = "h"\n'
    )
    done = littoral("integration", "clear", "--config", str(file))
    assert done.out == (
        "Emptied: hub device littoral below homeassistant/.\n"
        "Emptied: hub device second below homeassistant/.\n"
    )
    left = retained_at(broker.port)
    assert not begins(left, "homeassistant/device/", "littoral/$hub/")
    assert begins(left, "homie/5/littoral/") and begins(left, "littoral/reed/advice/")
    again = littoral("integration", "clear", "--config", str(file))
    assert "Nothing is left" in again.out
    littoral("integration", "clear", "--all", "--config", str(file))
    assert retained_at(broker.port) == FOREIGN


def test_another_device_of_the_same_kind_is_another_publication() -> None:
    hub = replace(ALL, integrations=(IntegrationConfig("x", HubOptions(device="d")),))
    by_device = HubOptions(device="d", discovery="device")
    form = replace(ALL, integrations=(IntegrationConfig("y", by_device),))
    assert publications(hub) == publications(form)  # the form's topics are emptied otherwise
    assert Publication("hub", "littoral", "homeassistant", "d") in publications(hub)


def test_advice_of_two_earlier_prefixes_is_emptied_beside_a_running_service(
    start_mosquitto: Start, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """All have one ``client_id``, and a broker lets no two clients connect by the same."""
    broker = start_mosquitto(tmp_path)
    config = MqttConfig(url=broker.url)
    retired = [Publication("advice", prefix, config.client_id) for prefix in ("old", "older")]
    summary = json.dumps({"publisher": config.client_id})
    for one in retired:
        topic = f"{one.base}/reed/advice/summary"
        publish.single(topic, summary, 1, True, HOST, broker.port)
    running = MqttAdvice(config, 60.0)
    running.start()
    wait_until(lambda: running.is_connected)
    done = clear(config, retired, threading.Event(), 30.0)
    left = retained_at(broker.port)
    running.stop()
    assert (done, begins(left, "old")) == (retired, set())
    assert [one.message for one in caplog.records if one.name.startswith("service.")] == []


class StartedMeanwhile(threading.Event):
    """Another process joins in the first wait."""

    def __init__(self, home: Home, published: Publication) -> None:
        super().__init__()
        self._join = SharedLeases(home.registry, "b", 30.0, [asdict(published)])
        self.waited = 0

    def wait(self, timeout: float | None = None) -> bool:
        self.waited += 1
        self._join.tend(at_once=self.waited == 1)
        return super().wait(timeout)


def test_two_that_start_together_leave_each_others_topics(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    first, second = (
        replace(ALL, integrations=(), mqtt=MqttConfig(url=broker.url, client_id=name))
        for name in ("a", "b")
    )
    [one] = publications(second)
    record(home.registry, [*publications(first), one])
    topic = "littoral/reed/advice/summary"
    publish.single(topic, json.dumps({"publisher": "b"}), 1, True, HOST, broker.port)
    stopping = StartedMeanwhile(home, one)
    RetiredIntegrations(first, home.registry, stopping).start()
    assert topic in retained_at(broker.port)
    assert stopping.waited == 1, "nothing is emptied"
    assert set(recorded(home.registry)) == {*publications(first), one}
    # One that joins while its topics are being emptied has them for itself from then on.
    others = [[], [one]]
    assert clear(first.mqtt, [one], threading.Event(), 30.0, lambda: others.pop(0)) == []


@pytest.mark.parametrize("retired", publications(ALL), ids=lambda one: one.kind + one.device)
def test_nothing_is_published_while_it_is_emptied(
    home: Home, start_mosquitto: Start, tmp_path: Path, retired: Publication
) -> None:
    broker = start_mosquitto(tmp_path)
    done = clear(MqttConfig(url=broker.url), [retired], threading.Event(), 30.0)
    assert done == [retired] and retained_at(broker.port) == {}
