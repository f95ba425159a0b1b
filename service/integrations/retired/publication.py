"""Which topics an integration over MQTT publishes, remembered so that they can be emptied later."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from service.config import Config, HomieOptions, HubOptions, MqttConfig
from service.integrations.homie.publisher import Homie
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_advice import MqttAdvice
from service.registry.registry import Registry

STATUS_NAME: Final = "integrations:mqtt"
"""The registry's status of what was published."""
ADVICE: Final = "advice"
HOMIE: Final = "homie"
HUB: Final = "hub"


@dataclass(frozen=True, slots=True)
class Publication:
    """What decides the topics of one integration; equal for two with the same ones.

    Attributes:
        base: first levels of our own topics, ``[mqtt] prefix``; "" where they play no part.
        prefix: of the integration's own; of advice, the client id that signs it.
        device: of the integration; "" for advice.
    """

    kind: str
    base: str
    prefix: str
    device: str = ""

    @property
    def words(self) -> str:
        """Which one it is, for people."""
        if self.kind == ADVICE:
            return f"advice below {self.base}/, published by {self.prefix}"
        return f"{self.kind} device {self.device} below {self.prefix}/"

    def clearing(self, config: MqttConfig, number: int) -> MqttAdvice | Homie | Hub:
        """The integration that published it, made to empty all of its topics; not started.

        Args:
            number: tells the connections of several apart.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        name = f"clear-{number}"
        made: MqttAdvice | Homie | Hub
        if self.kind == ADVICE:
            earlier = replace(config, prefix=self.base, client_id=self.prefix)
            made = MqttAdvice(earlier, 60.0, role=f"advice-{name}")
        elif self.kind == HOMIE:
            made = Homie(name, HomieOptions(self.prefix, self.device), config, 60.0)
        else:
            options = HubOptions(self.prefix, self.device)
            made = Hub(name, options, replace(config, prefix=self.base), 60.0)
        made.clear()
        return made


def publications(config: Config) -> list[Publication]:
    """What the configuration publishes over MQTT."""
    mqtt = config.mqtt
    found = [Publication(ADVICE, mqtt.prefix, mqtt.client_id)] if config.advice.publish else []
    for one in config.integrations:
        if isinstance(one.options, HomieOptions):
            found.append(Publication(HOMIE, "", one.options.prefix, one.options.device))
        elif isinstance(one.options, HubOptions):
            found.append(Publication(HUB, mqtt.prefix, one.options.prefix, one.options.device))
    return found


def published_by_others(registry: Registry) -> list[Publication]:
    """What the schedulers publish that run at present.

    Raises:
        RegistryUnavailableError: the registry cannot be reached.
    """
    running = registry.membership().schedulers.values()
    return [Publication(**each) for one in running for each in one.published]


def recorded(registry: Registry) -> list[Publication]:
    """What was published and not emptied since.

    Raises:
        RegistryUnavailableError: the registry cannot be reached.
    """
    return _published_in(registry.statuses().get(STATUS_NAME, {}))


def record(
    registry: Registry, published: Iterable[Publication], emptied: Collection[Publication] = ()
) -> None:
    """Remember what is published, beside what was remembered before.

    Args:
        emptied: is forgotten.

    Raises:
        RegistryUnavailableError: the registry cannot be reached.
    """
    published = tuple(published)

    def changed(document: Mapping[str, Any]) -> Mapping[str, Any]:
        left = [one for one in (*published, *_published_in(document)) if one not in emptied]
        return {"published": [asdict(one) for one in dict.fromkeys(left)]}

    registry.change_status(STATUS_NAME, changed)


def advice_publishers(registry: Registry, base: str) -> set[str]:
    """The client ids by which advice below ``base`` was signed and not emptied since.

    Raises:
        RegistryUnavailableError: the registry cannot be reached.
    """
    return {one.prefix for one in recorded(registry) if one.kind == ADVICE and one.base == base}


def _published_in(document: Mapping[str, Any]) -> list[Publication]:
    return [Publication(**one) for one in document.get("published", ())]
