"""Which integrations are made of the configuration."""

from __future__ import annotations

from service.advice.engine.overdue import lifetime_s
from service.advice.sharing.leases import AllTanks
from service.clock import SystemClock
from service.config import (
    AdviceConfig,
    Config,
    HomieOptions,
    HubOptions,
    IntegrationConfig,
    WebhookOptions,
)
from service.derive.caching.drift_cache import MorningDrifts
from service.integrations.configured import configured_integrations
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.webhooks.delivery import Webhook
from tests.integrations.conftest import Home

CONFIG = Config(
    integrations=(
        IntegrationConfig("a", HubOptions()),
        IntegrationConfig("b", WebhookOptions("https://hook.example/", bytes(32))),
        IntegrationConfig("c", HomieOptions()),
    )
)


def test_one_is_made_of_each_and_advice_is_published_unless_switched_off(home: Home) -> None:
    parts = (home.registry, home.store, SystemClock(), MorningDrifts(), lambda: None, AllTanks())
    made = configured_integrations(CONFIG, *parts)
    assert [type(one) for one in made] == [Hub, Webhook, Homie, MqttAdvice]
    assert [one.name for one in made] == ["a", "b", "c", "mqtt-advice"]
    quiet = Config(advice=AdviceConfig(publish=False))
    assert configured_integrations(quiet, *parts) == ()


def test_values_count_for_three_evaluations_and_a_minute_at_least() -> None:
    for every_s, expected in ((60.0, 180), (1.0, 60)):
        assert lifetime_s(every_s) == expected
