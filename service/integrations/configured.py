"""The integrations that the configuration asks for."""

from __future__ import annotations

from typing import Final

from service.advice.engine.integration import Integration
from service.config import Config, HomieOptions, HubOptions, WebhookOptions
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.webhooks.delivery import Webhook
from service.integrations.webhooks.target import webhook_target
from service.registry.registry import Registry

EVALUATIONS_MISSED: Final = 3
LEAST_LIFETIME_S: Final = 60.0
"""Values count for three evaluations that did not come, and a minute at least. Our choice."""


def lifetime_s(config: Config) -> float:
    """Machine seconds for which the values of an evaluation count."""
    return max(EVALUATIONS_MISSED * config.advice.every_s, LEAST_LIFETIME_S)


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
    for one in config.integrations:
        match one.options:
            case WebhookOptions():
                found.append(Webhook(webhook_target(one.name, one.options), registry))
            case HomieOptions():
                found.append(Homie(one.name, one.options, config.mqtt, lifetime_s(config)))
            case HubOptions():
                found.append(Hub(one.name, one.options, config.mqtt, lifetime_s(config)))
    if config.advice.publish:
        found.append(MqttAdvice(config.mqtt))
    return tuple(found)
