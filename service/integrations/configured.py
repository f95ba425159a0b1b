"""The integrations that the configuration asks for; the others are not even imported."""

from __future__ import annotations

from typing import TYPE_CHECKING

from service.advice.engine.overdue import lifetime_s
from service.config import Config, HomieOptions, HubOptions, WebhookOptions
from service.registry.registry import Registry

if TYPE_CHECKING:
    from service.advice.engine.integration import Integration


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
                from service.integrations.webhooks.delivery import Webhook
                from service.integrations.webhooks.target import webhook_target

                found.append(Webhook(webhook_target(one.name, one.options), registry))
            case HomieOptions():
                from service.integrations.homie.publisher import Homie

                found.append(Homie(one.name, one.options, config.mqtt, counts_for_s))
            case HubOptions():
                from service.integrations.hub.publisher import Hub

                found.append(Hub(one.name, one.options, config.mqtt, counts_for_s))
    if config.advice.publish:
        from service.integrations.mqtt_advice import MqttAdvice

        found.append(MqttAdvice(config.mqtt))
    return tuple(found)
