"""The integrations that the configuration asks for."""

from __future__ import annotations

from service.advice.engine.integration import Integration
from service.advice.engine.overdue import lifetime_s
from service.config import Config, HomieOptions, HubOptions, WebhookOptions
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.webhooks.delivery import Webhook
from service.integrations.webhooks.target import webhook_target
from service.registry.registry import Registry


def webhook_names(config: Config) -> frozenset[str]:
    """Names of the webhooks that are configured, under which their deliveries are stored."""
    return frozenset(
        one.name for one in config.integrations if isinstance(one.options, WebhookOptions)
    )


def configured_integrations(config: Config, registry: Registry) -> tuple[Integration, ...]:
    """One for each ``[[integration]]``, and advice over MQTT unless switched off; not started.

    Raises:
        ConfigError: the broker's address is wrong, or a file that an option names.
    """
    found: list[Integration] = []
    counts_for_s = lifetime_s(config.advice.every_s)
    for one in config.integrations:
        match one.options:
            case WebhookOptions():
                found.append(Webhook(webhook_target(one.name, one.options), registry))
            case HomieOptions():
                found.append(Homie(one.name, one.options, config.mqtt, counts_for_s))
            case HubOptions():
                found.append(Hub(one.name, one.options, config.mqtt, counts_for_s))
    if config.advice.publish:
        found.append(MqttAdvice(config.mqtt))
    return tuple(found)
