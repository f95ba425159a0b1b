"""Topics and ids of the devices that a home-automation hub sees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.config import HUB_PLATFORMS, HubOptions

PRESS: Final = "press"


@dataclass(frozen=True, slots=True)
class HubTopics:
    """Topics and ids of one hub integration.

    Attributes:
        base: first levels of our own topics, which no route takes for readings.
        options: of the integration.
        publisher: the ``client_id`` of who publishes: of several processes each has a status.
    """

    base: str
    options: HubOptions
    publisher: str

    @property
    def status(self) -> str:
        """Whether the process that publishes is online."""
        return f"{self.statuses}{self.publisher}"

    @property
    def statuses(self) -> str:
        """Begins the status of every process; no tank's id has a dollar."""
        return f"{self.base}/$status/"

    @property
    def config_filters(self) -> tuple[str, ...]:
        """MQTT filters of discovery messages, in both forms."""
        prefix = self.options.prefix
        single = (f"{prefix}/{platform}/+/+/config" for platform in HUB_PLATFORMS)
        return (f"{prefix}/device/+/config", *single)

    def device(self, tank: str) -> str:
        """The id of a tank's device."""
        return f"{self.options.device}-{tank}"

    def device_config(self, tank: str) -> str:
        """The discovery topic of a device with all its entities."""
        return f"{self.options.prefix}/device/{self.device(tank)}/config"

    def entity_config(self, tank: str, platform: str, key: str) -> str:
        """The discovery topic of one entity."""
        return f"{self.options.prefix}/{platform}/{self.device(tank)}/{key}/config"

    def state(self, tank: str, key: str) -> str:
        """Where the state of an entity is."""
        return f"{self.base}/{tank}/{key}"

    def attributes(self, tank: str, key: str) -> str:
        """What belongs to a state, as JSON."""
        return f"{self.base}/{tank}/{key}/attributes"

    def availability(self, tank: str, key: str) -> str:
        """Whether an entity has a present value."""
        return f"{self.base}/{tank}/{key}/availability"

    def press(self, tank: str, key: str) -> str:
        """Where the hub reports that a button was pressed."""
        return f"{self.base}/{tank}/{key}/{PRESS}"

    def pressed(self, topic: str) -> tuple[str, str] | None:
        """Tank and key of a button's topic; None for any other topic."""
        parts = topic.removeprefix(f"{self.base}/").split("/")
        if topic.startswith(f"{self.base}/") and len(parts) == 3 and parts[2] == PRESS:
            return parts[0], parts[1]
        return None
