"""The configuration's values for integrations, each a frozen dataclass with its defaults."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from service.config.addresses import Network
from service.config.email import EmailOptions


@dataclass(frozen=True, slots=True)
class WebhookOptions:
    """Where events are posted, and how.

    Attributes:
        url: of the receiver.
        secret: the shared secret's bytes; None: in ``secret_file``.
        allow_networks: networks that may be sent to although they are not public.
        ca_file: certificates to trust instead of the system's.
        timeout_s: for connecting, and for each wait on an answer.
        attempts: how many before a delivery is dead; 80 take about three days.
        source: ``source`` of the CloudEvents.
    """

    url: str = field(repr=False)
    secret: bytes | None = field(default=None, repr=False)
    secret_file: str | None = None
    allow_networks: tuple[Network, ...] = ()
    ca_file: str | None = None
    timeout_s: float = 10.0
    attempts: int = 80
    source: str = "/littoral"


HOMIE_TOPIC_VERSION: Final = "5"
"""Homie convention 5.0, "Topics": the level after the prefix."""


@dataclass(frozen=True, slots=True)
class HomieOptions:
    """Devices of the Homie convention.

    Attributes:
        prefix: first level(s) of all topics.
        device: id of the root device; tanks are ``<device>-<tank>``.
        alerts: lowest severity that becomes an alert.
    """

    prefix: str = "homie"
    device: str = "littoral"
    alerts: str = "warning"

    @property
    def topics(self) -> tuple[str, ...]:
        """Equal for two that would publish on the same topics."""
        return ("homie", self.prefix, self.device)

    @property
    def output_topics(self) -> tuple[str, ...]:
        """How the topics begin on which it publishes: those of the root device and of tanks."""
        base = f"{self.prefix}/{HOMIE_TOPIC_VERSION}/{self.device}"
        return (f"{base}/", f"{base}-")


DISCOVERY_BY_DEVICE: Final = "device"
DISCOVERY_BY_ENTITY: Final = "entity"
HUB_PLATFORMS: Final = ("sensor", "binary_sensor", "event", "button")
"""The hub's words for the kinds of entities that a tank has."""


@dataclass(frozen=True, slots=True)
class HubOptions:
    """Devices of home-automation hubs.

    Attributes:
        prefix: discovery prefix of the hub.
        device: first part of the ids of devices and sensors.
        status_topic: where the hub publishes ``online`` when it starts; None: ``<prefix>/status``.
        expire_after_s: a value counts for so long; None: by how often tanks are evaluated.
        discovery: one message for each entity, which hubs of all versions take, or for each device.
        buttons: whether the hub may mark what to do first as done, or put it off.
    """

    prefix: str = "homeassistant"
    device: str = "littoral"
    status_topic: str | None = None
    expire_after_s: int | None = None
    discovery: str = DISCOVERY_BY_ENTITY
    buttons: bool = True

    @property
    def start_topic(self) -> str:
        """Where the hub publishes ``online`` when it starts."""
        return self.status_topic or f"{self.prefix}/status"

    @property
    def topics(self) -> tuple[str, ...]:
        """Equal for two that would publish on the same topics."""
        return ("hub", self.device)

    @property
    def output_topics(self) -> tuple[str, ...]:
        """How the topics begin on which it publishes outside of our own prefix."""
        return tuple(
            f"{self.prefix}/{level}/{self.device}-" for level in ("device", *HUB_PLATFORMS)
        )


@dataclass(frozen=True, slots=True)
class IntegrationConfig:
    """One way out to other programs; the type of its options is its kind."""

    name: str
    options: WebhookOptions | HomieOptions | HubOptions | EmailOptions
