"""Publishes each tank as a device for home-automation hubs: discovery message and states."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, Final
from urllib.parse import urljoin

from service.advice.engine.history.change_events import LedgerChange
from service.advice.sharing.leases import AllTanks, Leases
from service.config import HubOptions, MqttConfig
from service.derive.models.tank_view import TankView
from service.integrations.hub.discovery import (
    QOS,
    Device,
    availabilities,
    discovery_messages,
    leftover_topics,
    other_form,
    states,
)
from service.integrations.hub.entities import EVENT, REFUSED, Entity, entities_of
from service.integrations.hub.presses import Marking, Press, Presses
from service.integrations.hub.topics import HubTopics
from service.integrations.hub.words import events_of, to_do
from service.integrations.tank_figures import figures_of
from service.mqtt.connection import OFFLINE, ONLINE, Will
from service.mqtt.leftovers import Leftover
from service.mqtt.retained import RetainedTopics, json_payload

SERVICE: Final = " service"
"""The group of the service's own status; no tank's id has a blank."""


class Hub:
    """Publishes discovery messages, states and events of all tanks; takes its buttons.

    States are published at every evaluation and are not retained, so that the hub lets them expire
    when evaluations end; therefore a hub that has just started gets them again at once. Events are
    published once.
    """

    def __init__(
        self,
        name: str,
        options: HubOptions,
        config: MqttConfig,
        lifetime_s: float,
        marking: Marking | None = None,
        public_url: str | None = None,
        leases: Leases | None = None,
    ) -> None:
        """Prepare.

        Args:
            name: of the integration in the configuration.
            lifetime_s: machine seconds after which a state expires, unless the options say so.
            marking: what the buttons need; None: there are none.
            public_url: where people reach the service; None: devices have no link.
            leases: which tanks are published here; None: all.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self.name = name
        self._start_topic = options.start_topic
        self._hub = HubTopics(f"{config.prefix}/$hub/{options.device}", options, config.client_id)
        self._leases = leases or AllTanks()
        self._expire_after_s = options.expire_after_s or round(lifetime_s)
        self._public_url = public_url
        self._presses = (
            Presses(name, marking, self._publish_refusal)
            if marking is not None and options.buttons
            else None
        )
        self._lock = threading.Lock()
        self._states: dict[str, list[tuple[str, str]]] = {}
        #: tank -> what its discovery messages are made of, and these.
        self._discovery: dict[str, tuple[object, dict[str, str]]] = {}
        #: tank -> id of a recommendation -> its words as published.
        self._words: dict[str, Mapping[str, dict[str, Any]]] = {}
        self._clears = False
        self._topics = RetainedTopics(
            config,
            f"hub-{name}",
            will=Will(self._hub.status, OFFLINE, QOS),
            qos=QOS,
            filters=(*self._hub.config_filters, f"{self._hub.base}/#"),
            others=(options.start_topic,),
            identify=self._identify,
            on_connected=self._publish_states,
            on_message=self._on_start,
            on_live=self._on_press,
            owned=self._owned,
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

    def clear(self) -> None:
        """Empty all topics, those of earlier runs too, in place of publishing; before ``start``."""
        self._clears = True
        self._topics.clear((self._hub.status,))

    @property
    def quiet_s(self) -> float:
        """Seconds since the broker was reached or sent what an earlier run has left; else 0."""
        return self._topics.quiet_s

    def start(self) -> None:
        """Connect in the background."""
        if self._presses is not None:
            self._presses.start()
        self._topics.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Announce what is new of a tank, and send its events and all its states."""
        tank = view.tank.id
        page = None if self._public_url is None else urljoin(self._public_url, f"/tanks/{tank}")
        device = Device(tank, view.tank.name or tank, self._expire_after_s, page)
        with self._lock:
            words = to_do(change, self._words.get(tank, {}))
            entities = entities_of(
                figures_of(view, change.current), words, buttons=self._presses is not None
            )
            retained = {
                **self._discovered(device, entities),
                **availabilities(self._hub, tank, entities),
            }
            present = states(self._hub, tank, entities)
            self._topics.set(tank, retained, emptied=other_form(self._hub, tank, entities))
            self._topics.publish(present)
            event_topic = self._hub.state(tank, EVENT)
            events = ((event_topic, json_payload(one)) for one in events_of(change))
            self._topics.publish(events)
            self._states[tank] = present
            self._words[tank] = {one["id"]: one for one in words}

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Remove the devices of other tanks from the hub, those of earlier runs too."""
        with self._lock:
            self._forget(set(self._states) - tanks)
            self._topics.retain_only({SERVICE, *tanks})

    def release(self, tanks: Collection[str]) -> None:
        """See ``Integration``; the other one's discovery messages name its own status."""
        with self._lock:
            self._forget(tanks)
            self._topics.release(tanks)

    def stop(self) -> None:
        """Mark the service as offline; the devices stay, unavailable."""
        if self._presses is not None:
            self._presses.stop()
        self._topics.stop(() if self._clears else [(self._hub.status, OFFLINE)])

    def _forget(self, tanks: Collection[str]) -> None:
        for tank in tanks:
            for known in (self._states, self._words, self._discovery):
                known.pop(tank, None)

    def _owned(self) -> Callable[[str], bool]:
        holds = self._leases.confirmed()
        return lambda group: group == SERVICE or holds(group)

    def _discovered(self, device: Device, entities: Sequence[Entity]) -> dict[str, str]:
        """The discovery messages, made anew only where they differ: that costs most of it all."""
        parts = (device, [(one.platform, one.key, one.payload) for one in entities])
        before = self._discovery.get(device.tank)
        if before is not None and before[0] == parts:
            return before[1]
        messages = discovery_messages(self._hub, device, entities)
        self._discovery[device.tank] = (parts, messages)
        return messages

    def _on_start(self, topic: str, payload: bytes) -> None:
        """A hub that has started gets everything again."""
        if topic == self._start_topic and payload == ONLINE.encode():
            self._topics.republish()
            self._publish_states()

    def _on_press(self, topic: str, payload: bytes) -> None:
        """A button was pressed; of several processes the one that publishes the tank takes it."""
        pressed = self._hub.pressed(topic)
        if pressed is None or self._presses is None:
            return
        with self._lock:
            ours = pressed[0] in self._states
        if ours:
            self._presses.take(Press(*pressed, payload.decode(errors="replace")))

    def _publish_refusal(self, press: Press, reason: str) -> None:
        """An event that says why a button did nothing."""
        refusal = {"event_type": REFUSED, "id": press.id, "button": press.key, "reason": reason}
        self._topics.publish([(self._hub.state(press.tank, EVENT), json_payload(refusal))])

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
