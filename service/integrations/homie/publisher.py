"""Publishes each tank as a device of the Homie convention, the service as their root device."""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Collection, Mapping
from typing import Any, Final

from service.advice.engine.history.change_events import ChangeKind, LedgerChange
from service.advice.sharing.leases import AllTanks, Leases
from service.config import HOMIE_TOPIC_VERSION, HomieOptions, MqttConfig
from service.derive.models.tank_view import TankView
from service.integrations.homie.device import (
    alerts_of,
    base_topic,
    described_topics,
    description_of,
    device_id,
    device_messages,
    properties_of,
    root_description,
)
from service.integrations.repeated import Repeated
from service.integrations.tank_figures import figures_of
from service.mqtt.connection import Will
from service.mqtt.leftovers import Leftover
from service.mqtt.retained import RetainedTopics, json_payload

INIT: Final = "init"
READY: Final = "ready"
LOST: Final = "lost"
DISCONNECTED: Final = "disconnected"
QOS: Final = 2
"""As the convention recommends."""

_log = logging.getLogger(__name__)


class Homie:
    """Publishes the tanks as Homie devices.

    The root device is announced once all tanks were evaluated, after those that it names. A tank
    that was not evaluated for ``lifetime_s`` is ``lost`` and has no values.
    """

    def __init__(
        self,
        name: str,
        options: HomieOptions,
        config: MqttConfig,
        lifetime_s: float,
        milliseconds: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
        leases: Leases | None = None,
    ) -> None:
        """Prepare.

        Args:
            name: of the integration in the configuration.
            lifetime_s: machine seconds after which a tank counts as lost.
            milliseconds: gives the versions of descriptions, which rise over restarts.
            leases: which tanks are published here; None: all. Of several processes the one that
                does the upkeep publishes the root device, with the tanks that others announced.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self.name = name
        self._options = options
        self._root = base_topic(self._options, self._options.device)
        self._lifetime_s = lifetime_s
        self._milliseconds = milliseconds
        self._lock = threading.Lock()
        self._evaluated_s: dict[str, float] = {}
        self._versions: dict[str, tuple[dict[str, Any], int]] = {}
        #: all tanks of the present evaluation; None: before the first one.
        self._tanks: frozenset[str] | None = None
        self._leases = leases or AllTanks()
        #: devices at the broker that have our root.
        self._announced: set[str] = set()
        self._lost = Repeated(f"homie-{name}", min(1.0, lifetime_s / 4), self._mark_lost_tanks)
        start = f"{self._options.prefix}/{HOMIE_TOPIC_VERSION}/+"
        self._topics = RetainedTopics(
            config,
            f"homie-{name}",
            will=Will(f"{self._root}/$state", LOST, QOS),
            qos=QOS,
            filters=(f"{start}/$description", f"{start}/$alert/+"),
            identify=self._identify,
            group_filters=lambda device: (f"{base_topic(options, device)}/#",),
            last_group=options.device,
            owned=self._owned,
            # The last will of any of several processes says that the root is lost.
            at_once=(f"{self._root}/$state",),
        )

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
        self._topics.clear((f"{self._root}/$description", f"{self._root}/$state"))

    @property
    def quiet_s(self) -> float:
        """Seconds since the broker was reached or sent what an earlier run has left; else 0."""
        return self._topics.quiet_s

    def start(self) -> None:
        """Connect in the background; nothing is announced before the first evaluation."""
        self._topics.start()
        self._lost.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Publish what is known of a tank; only what changed goes out.

        An alert goes out anew where a person would act differently, as a webhook does.
        """
        figures = figures_of(view, change.current)
        properties = properties_of(figures)
        described = description_of(self._options, view.tank.name or view.tank.id, properties)
        changed = {one.id for one in change.of(ChangeKind.OPENED, ChangeKind.CHANGED)}
        with self._lock:
            device = device_id(self._options, view.tank.id)
            text, differs = self._described(device, described)
            base = base_topic(self._options, device)
            alerts = alerts_of(
                self._options,
                figures,
                change.current,
                changed=changed,
                published=self._published_alerts(base, device),
            )
            self._evaluated_s[view.tank.id] = time.monotonic()
            messages = device_messages(base, text, properties, alerts, READY)
            self._topics.set(device, messages, first=(f"{base}/$state", INIT) if differs else None)
            own = None if self._tanks is None else set(filter(self._leases.holds, self._tanks))
            if own is None or own <= set(self._evaluated_s):
                self._set_root()

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Remove the devices of other tanks, those of earlier runs too."""
        with self._lock:
            for tank in set(self._evaluated_s) - tanks:
                del self._evaluated_s[tank]
                self._versions.pop(device_id(self._options, tank), None)
            # The evaluation before is over: a tank that it could not evaluate is not waited for.
            if self._tanks is not None or not tanks:
                self._set_root()
            self._tanks = tanks
            devices = {device_id(self._options, tank) for tank in tanks}
            self._announced &= devices
            self._topics.retain_only({self._options.device, *devices})

    def release(self, tanks: Collection[str]) -> None:
        """See ``Integration``."""
        with self._lock:
            for tank in tanks:
                self._evaluated_s.pop(tank, None)
                self._versions.pop(device_id(self._options, tank), None)
            self._topics.release([device_id(self._options, tank) for tank in tanks])

    def stop(self) -> None:
        """Mark all devices as disconnected; they stay at the broker."""
        self._lost.stop()
        with self._lock:
            bases = [
                base_topic(self._options, device_id(self._options, tank))
                for tank in self._evaluated_s
            ]
            if self._topics.messages(self._options.device):
                bases.append(self._root)
        self._topics.stop((f"{base}/$state", DISCONNECTED) for base in bases)

    def _published_alerts(self, base: str, device: str) -> dict[str, str]:
        """Text by alert id as last published."""
        start = f"{base}/$alert/"
        return {
            topic.removeprefix(start): text
            for topic, text in self._topics.messages(device).items()
            if topic.startswith(start)
        }

    def _mark_lost_tanks(self) -> None:
        """Mark tanks as lost whose evaluations have ended."""
        now = time.monotonic()
        with self._lock:
            for tank, evaluated_s in self._evaluated_s.items():
                if now - evaluated_s > self._lifetime_s:
                    self._mark_lost(tank)

    def _mark_lost(self, tank: str) -> None:
        device = device_id(self._options, tank)
        base = base_topic(self._options, device)
        unchanged = (f"{base}/$description", f"{base}/$alert/")
        lost = {
            topic: payload if topic.startswith(unchanged) else ""
            for topic, payload in self._topics.messages(device).items()
        }
        self._topics.set(device, {**lost, f"{base}/$state": LOST})

    def _set_root(self) -> None:
        """Announce the service with the tanks that were announced."""
        if not self._leases.does_upkeep():
            self._topics.release([self._options.device])
            return
        own = {device_id(self._options, tank) for tank in self._evaluated_s}
        others = {
            device
            for tank in self._tanks or ()
            if not self._leases.holds(tank)
            and (device := device_id(self._options, tank)) in self._announced
        }
        children = sorted(own | others)
        described = root_description(self._options, children)
        text, differs = self._described(self._options.device, described)
        messages = device_messages(self._root, text, (), {}, READY)
        first = (f"{self._root}/$state", INIT) if differs else None
        self._topics.set(self._options.device, messages, first=first)

    def _described(self, device: str, described: Mapping[str, Any]) -> tuple[str, bool]:
        """The description with its version, and whether it differs from the one before."""
        before = self._versions.get(device)
        differs = before is None or before[0] != described
        if before is None:
            before = (dict(described), self._milliseconds())
        elif differs:
            before = (dict(described), max(before[1] + 1, self._milliseconds()))
        self._versions[device] = before
        return json_payload({**described, "version": before[1]}), differs

    def _identify(self, topic: str, payload: bytes) -> Leftover | None:
        """Devices of an earlier run under this root, and single topics of any device of ours."""
        device, _, rest = topic.removeprefix(
            f"{self._options.prefix}/{HOMIE_TOPIC_VERSION}/"
        ).partition("/")
        if device != self._options.device and not device.startswith(f"{self._options.device}-"):
            return None
        if rest != "$description":
            return Leftover(device, [topic], ours=False)
        try:
            if json.loads(payload).get("root") != self._options.device:
                return None
            topics = described_topics(base_topic(self._options, device), payload)
        except (ValueError, AttributeError):
            _log.warning("integration %s: %s is no description and is left alone", self.name, topic)
            return None
        self._announced.add(device)
        return Leftover(device, topics, ours=True)

    def _owned(self) -> Callable[[str], bool]:
        holds = self._leases.confirmed()
        start = f"{self._options.device}-"

        def owned(device: str) -> bool:
            if device == self._options.device:
                return self._leases.does_upkeep()
            return holds(device.removeprefix(start))

        return owned
