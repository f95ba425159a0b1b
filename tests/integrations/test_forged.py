"""Forged retained messages on the topics of each integration, mended at the next evaluation."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import paho.mqtt.publish as publish
import pytest

from service.advice.engine.integration import Integration
from service.config import HomieOptions, HubOptions, MqttConfig
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.metrics.exposition import Metrics
from service.integrations.mqtt_advice import MqttAdvice
from service.registry.models.schedulers import SCHEDULER_STATUS
from tests.integrations.conftest import Home
from tests.integrations.retained import retained_at
from tests.servers import HOST, Mosquitto, wait_until

Start = Callable[..., Mosquitto]

MADE: dict[str, Callable[[MqttConfig], Integration]] = {
    "advice": lambda config: MqttAdvice(config, 60.0),
    "homie": lambda config: Homie("home", HomieOptions(), config, 60.0),
    "hub": lambda config: Hub("rooms", HubOptions(), config, 60.0),
}
NEW = {
    "advice": "littoral/reed/advice/drain-the-tank",
    "homie": "homie/5/littoral-reed/water/drain",
    "hub": "littoral/$hub/littoral/reed/co2/state",
}
FOREIGN = {
    "advice": "littoral/somebody-elses/advice/summary",
    "homie": "homie/5/another/$state",
    "hub": "homeassistant/device/another/config",
}


@pytest.mark.parametrize("kind", MADE)
def test_a_forged_value_an_emptied_topic_and_a_new_one(
    home: Home, start_mosquitto: Start, tmp_path: Path, kind: str
) -> None:
    broker = start_mosquitto(tmp_path)
    integration = MADE[kind](MqttConfig(url=broker.url))
    integration.start()
    try:
        wait_until(lambda: integration.is_connected)  # type: ignore[attr-defined]
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        # What it holds as published; two equal looks at the broker may lie between two messages.
        ours = dict(integration._topics._groups.expected)  # type: ignore[attr-defined]
        assert len(ours) > 1
        wait_until(lambda: retained_at(broker.port) == ours)
        emptied, *rest = sorted(ours)
        put(broker, dict.fromkeys(rest, "forged") | {emptied: "", NEW[kind]: "1"})
        put(broker, {FOREIGN[kind]: "theirs"})
        assert retained_at(broker.port) != ours

        def evaluated() -> bool:
            scheduler.run_once()
            return retained_at(broker.port) == {**ours, FOREIGN[kind]: "theirs"}

        wait_until(evaluated, why=lambda: f"{ours} {retained_at(broker.port)}")
        assert integration.mended == len(ours) + 1
        status = home.registry.statuses()[SCHEDULER_STATUS]
        assert status["mended"] == {integration.name: len(ours) + 1}
        text, _ = Metrics(home.store, home.registry, home.clock, 60.0).exposition("")
        metric = f'littoral_mqtt_mended_total{{integration="{integration.name}"}}'
        assert f"{metric} {float(len(ours) + 1)}" in text.decode()
    finally:
        integration.stop()


def put(broker: Mosquitto, messages: dict[str, str]) -> None:
    """Retain messages as anybody who may write there can."""
    publish.multiple(
        [(topic, payload, 1, True) for topic, payload in messages.items()], HOST, broker.port
    )
