"""The integrations that the configuration asks for; the others are not even imported."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from service.advice.engine.overdue import lifetime_s
from service.clock import Clock
from service.config import Config, EmailOptions, HomieOptions, HubOptions, WebhookOptions
from service.config.email import delivery_target
from service.registry.registry import Registry
from service.store.interface import Store

if TYPE_CHECKING:
    from service.advice.engine.integration import Integration
    from service.advice.sharing.leases import Leases
    from service.derive.caching.drift_cache import MorningDrifts


def delivery_targets(config: Config) -> frozenset[str]:
    """Names under which deliveries are stored: of webhooks, and of recipients of mail."""
    found: set[str] = set()
    for one in config.integrations:
        if isinstance(one.options, WebhookOptions):
            found.add(one.name)
        elif isinstance(one.options, EmailOptions):
            found |= {delivery_target(one.name, each.name) for each in one.options.recipients}
    return frozenset(found)


def configured_integrations(
    config: Config,
    registry: Registry,
    store: Store,
    clock: Clock,
    drifts: MorningDrifts,
    nudge: Callable[[], None],
    leases: Leases,
) -> tuple[Integration, ...]:
    """One for each ``[[integration]]``, and advice over MQTT unless switched off; not started.

    Args:
        drifts: of the pH probes, as the scheduler leaves them.
        nudge: has the tanks evaluated again soon.
        leases: which tanks are published here.

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

                target = webhook_target(one.name, one.options)
                found.append(Webhook(target, registry, claimant=leases.id))
            case HomieOptions():
                from service.integrations.homie.publisher import Homie

                found.append(Homie(one.name, one.options, config.mqtt, counts_for_s, leases=leases))
            case HubOptions():
                from service.integrations.hub.presses import Marking
                from service.integrations.hub.publisher import Hub

                marking = Marking(registry, clock, nudge)
                address = config.http.public_url
                found.append(
                    Hub(one.name, one.options, config.mqtt, counts_for_s, marking, address, leases)
                )
            case EmailOptions():
                from service.integrations.email.mail import Email
                from service.integrations.email.server import check_files

                check_files(one.name, one.options)
                address = config.http.public_url
                given = (one.name, one.options, registry, store, clock, drifts, address)
                found.append(Email(*given, claimant=leases.id))
    if config.advice.publish:
        from service.integrations.mqtt_advice import MqttAdvice
        from service.integrations.retired.publication import advice_publishers

        found.append(
            MqttAdvice(
                config.mqtt,
                counts_for_s,
                registry.trials_over,
                leases=leases,
                publishers=partial(advice_publishers, registry, config.mqtt.prefix),
            )
        )
    return tuple(found)
