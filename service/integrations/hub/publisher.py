"""Publishes each tank as a device for home-automation hubs: discovery message and states."""

from __future__ import annotations

import threading
from typing import Final

from service.advice.engine.change_events import LedgerChange
from service.config import HubOptions, MqttConfig
from service.derive.models import TankView
from service.integrations.hub.device import (
    HubTopics,
    discovery_message,
    leftover_topics,
    retained_messages,
    sensors_of,
    state_messages,
)
from service.integrations.tank_figures import figures_of
from service.mqtt.connection import OFFLINE, ONLINE, Will
from service.mqtt.leftovers import Leftover
from service.mqtt.retained import RetainedTopics

QOS: Final = 1
SERVICE: Final = " service"
"""The group of the service's own status; no tank's id has a blank."""


class Hub:
    """Publishes discovery messages and sensor states of all tanks.

    States are published at every evaluation and are not retained, so that the hub lets them expire
    when evaluations end; therefore a hub that has just started gets them again at once.
    """

    def __init__(
        self, name: str, options: HubOptions, config: MqttConfig, lifetime_s: float
    ) -> None:
        """Prepare.

        Args:
            name: of the integration in the configuration.
            lifetime_s: machine seconds after which a state expires, unless the options say so.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self.name = name
        self._start_topic = options.start_topic
        self._hub = HubTopics(f"{config.prefix}/$hub/{options.device}", options)
        self._expire_after_s = options.expire_after_s or round(lifetime_s)
        self._lock = threading.Lock()
        self._states: dict[str, list[tuple[str, str]]] = {}
        self._topics = RetainedTopics(
            config,
            f"hub-{name}",
            will=Will(self._hub.status, OFFLINE, QOS),
            qos=QOS,
            filters=(f"{options.prefix}/device/+/config", f"{self._hub.base}/#"),
            others=(options.start_topic,),
            identify=self._identify,
            on_connected=self._publish_states,
            on_message=self._on_message,
        )
        self._topics.set(SERVICE, {self._hub.status: ONLINE})

    @property
    def mended(self) -> int:
        """Topics that were not as they were published, and were mended."""
        return self._topics.mended

    @property
    def is_connected(self) -> bool:
        """Whether the broker is connected and has been sent everything."""
        return self._topics.is_connected

    def start(self) -> None:
        """Connect in the background."""
        self._topics.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Announce what is new of a tank, and send all its states."""
        tank = view.tank.id
        sensors = sensors_of(figures_of(view, change.current))
        discovery = discovery_message(
            self._hub,
            tank,
            view.tank.name or tank,
            sensors,
            self._expire_after_s,
        )
        states = state_messages(self._hub, tank, sensors)
        with self._lock:
            self._topics.set(tank, retained_messages(self._hub, tank, discovery, sensors))
            self._topics.publish(states)
            self._states[tank] = states

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Remove the devices of other tanks from the hub, those of earlier runs too."""
        with self._lock:
            self._states = {tank: one for tank, one in self._states.items() if tank in tanks}
            self._topics.retain_only({SERVICE, *tanks})

    def stop(self) -> None:
        """Mark the service as offline; the devices stay, unavailable."""
        self._topics.stop([(self._hub.status, OFFLINE)])

    def _on_message(self, topic: str, payload: bytes) -> None:
        """A hub that has started gets everything again."""
        if topic == self._start_topic and payload == ONLINE.encode():
            self._topics.republish()
            self._publish_states()

    def _publish_states(self) -> None:
        with self._lock:
            for states in self._states.values():
                self._topics.publish(states)

    def _identify(self, topic: str, payload: bytes) -> Leftover | None:
        """Devices of an earlier run, and single topics below our own."""
        below = topic.removeprefix(f"{self._hub.base}/")
        if below != topic:
            return Leftover(below.split("/")[0], [topic], ours=False)
        found = leftover_topics(self._hub, topic, payload)
        return None if found is None else Leftover(*found, ours=True)
