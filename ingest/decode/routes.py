"""Routes: which topic feeds which tank, quantity and sensor."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from ingest.decode.clock_setting import RIGHT, ClockSetting, SensorClocks, clock_setting
from ingest.decode.message import PayloadError, Reason
from ingest.decode.payloads.record import NO_PATHS, Paths
from ingest.decode.route_conflicts import check_distinct
from ingest.decode.topic_filters import covers, without_covered
from ingest.decode.units import Conversion, conversion_to
from service.config import RouteConfig, SensorConfig
from service.errors import ConfigError
from service.quantities import QUANTITIES
from service.store import DEFAULT_SENSOR

#: Topics are made by strangers: targets of no more than so many bytes are remembered, and of no
#: topic longer than so many letters. An entry takes some 600 bytes beside its topic (measured).
CACHE_BYTES: Final = 48_000_000
LONGEST_CACHED: Final = 512
_ENTRY_BYTES: Final = 600
_NAMED = ("tank", "quantity", "sensor")
_NOT_IN_NAME = re.compile(r"[^a-z0-9_-]+")


_NO_CLOCKS = SensorClocks()


@dataclass(frozen=True, slots=True)
class RouteOptions:
    """How the messages of a route are read, whatever the topic.

    Attributes:
        source: the route's topic as configured; shown with rejections.
        clock: how the device's times are read.
        sensor_clocks: those of single sensors, which count first.
    """

    source: str
    format: str = "auto"
    paths: Paths = NO_PATHS
    unit: str | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    clock: ClockSetting = RIGHT
    sensor_clocks: SensorClocks = _NO_CLOCKS

    def clock_of(self, tank: str, quantity: str, sensor: str) -> ClockSetting:
        """How the times of one of its sensors are read."""
        return self.sensor_clocks.of(tank, quantity, sensor) or self.clock


_NO_ROUTE: Final = RouteOptions("")


@dataclass(frozen=True, slots=True)
class Target:
    """Where the readings of one topic go, by one route; there is one for each topic.

    Attributes:
        route: how they are read.
        tank, quantity, sensor: None where the payload has to name it.
        fault: why nothing of this topic can be stored; None if all is well.
        conversion: of a plain number without a unit, where the topic and the route name all else.
    """

    route: RouteOptions
    tank: str | None
    quantity: str | None
    sensor: str | None
    fault: tuple[Reason, str] | None = None
    conversion: Conversion | None = None


class Router:
    """Finds the targets of a topic; our own topics out are none of them."""

    def __init__(
        self,
        prefix: str,
        routes: Iterable[RouteConfig] = (),
        sensors: Iterable[SensorConfig] = (),
    ) -> None:
        """Compile the routes.

        Args:
            prefix: first level(s) of our own topics.
            sensors: what is set for single sensors.

        Raises:
            ConfigError: a route's topic is no MQTT filter or leaves the tank open, or two routes
                would write two values of one message into one series.
        """
        self._prefix = prefix
        clocks = SensorClocks(sensors)
        routes = tuple(routes)
        self._routes = tuple(_Route(route, clocks) for route in routes)
        check_distinct(routes)
        self._own = tuple(
            _Route(RouteConfig(f"{prefix}/{rest}"), clocks)
            for rest in ("{tank}", "{tank}/{quantity}", "{tank}/{quantity}/{sensor}")
        )
        self._filters = without_covered([f"{prefix}/#", *(route.filter for route in self._routes)])
        self._cache: dict[str, tuple[Target, ...]] = {}
        self._cached_bytes = 0

    def targets(self, topic: str) -> tuple[Target, ...]:
        """The targets of all routes that match this topic; empty for what Littoral publishes."""
        found = self._cache.get(topic)
        if found is None:
            found = self._find(topic)
            if len(topic) <= LONGEST_CACHED:
                self._remember(topic, found)
        return found

    def _remember(self, topic: str, found: tuple[Target, ...]) -> None:
        # A letter has up to four bytes, and the parts of a topic are stored beside it.
        self._cached_bytes += _ENTRY_BYTES * max(len(found), 1) + 8 * len(topic)
        if self._cached_bytes > CACHE_BYTES:
            self._cache.clear()
            self._cached_bytes = 0
        self._cache[topic] = found

    def _find(self, topic: str) -> tuple[Target, ...]:
        levels = topic.split("/")
        if is_published_by_us(topic, self._prefix):
            return ()
        for group in (self._routes, self._own):
            found = [t for r in group if (t := r.target(levels)) is not None]
            if found:
                return tuple(found)
        if not self.wants(topic):
            return ()
        fault = (
            Reason.UNKNOWN_TOPIC,
            f"topic is {topic!r:.200}; allowed: {self._prefix}/TANK/QUANTITY, "
            f"{self._prefix}/TANK/QUANTITY/SENSOR or a topic of a [[route]]",
        )
        return (Target(_NO_ROUTE, None, None, None, fault),)

    def filters(self) -> list[str]:
        """The MQTT filters to subscribe to; none lies wholly inside another."""
        return list(self._filters)

    def wants(self, topic: str) -> bool:
        """Whether a topic belongs to us; a widened subscription brings others too."""
        return any(covers(wanted, topic) for wanted in self._filters)


def is_published_by_us(topic: str, prefix: str) -> bool:
    """Whether Littoral itself publishes there: advice, and states of its own."""
    if not topic.startswith(prefix + "/"):
        return False
    levels = topic[len(prefix) + 1 :].split("/")
    return levels[0].startswith("$") or (len(levels) > 1 and levels[1] == "advice")


class _Route:
    """One route, compiled."""

    def __init__(self, config: RouteConfig, sensor_clocks: SensorClocks) -> None:
        self._config = config
        self._reading = RouteOptions(
            config.topic,
            config.format,
            Paths(config.path, config.time_path, config.sequence_path),
            config.unit,
            config.names,
            clock_setting(config),
            sensor_clocks,
        )
        self._levels = tuple(config.topic.split("/"))
        self.filter = "/".join("+" if _name_of(level) else level for level in self._levels)
        named = [name for level in self._levels if (name := _name_of(level))]
        wrong = (
            "\0" in config.topic
            or any("#" in level and level != "#" for level in self._levels)
            or any("+" in level and level != "+" for level in self._levels)
            or any(c in level for level in self._levels if not _name_of(level) for c in "{}")
            or "#" in self._levels[:-1]
            or len(named) != len(set(named))
        )
        if wrong:
            raise ConfigError(
                f"route.topic is {config.topic!r}; allowed: an MQTT filter in which {{tank}}, "
                "{quantity} and {sensor} replace a whole level, each at most once"
            )
        if "tank" not in named and config.tank is None and config.format != "line":
            raise ConfigError(
                f"route.topic is {config.topic!r} and names no tank; allowed: {{tank}} in the "
                'topic or tank = "…" beside it'
            )
        if (
            "quantity" not in named
            and config.quantity is None
            and config.format in ("number", "json")
        ):
            raise ConfigError(
                f"route.topic is {config.topic!r} and names no quantity; allowed: {{quantity}} in "
                'the topic or quantity = "…" beside it'
            )

    def target(self, levels: list[str]) -> Target | None:
        """The target of a topic, or None if this route does not match it."""
        parts = self._match(levels)
        if parts is None:
            return None
        config = self._config
        tank = parts.get("tank", config.tank)
        sensor = parts.get("sensor", config.sensor)
        word = parts.get("quantity")
        quantity = config.quantity if word is None else config.names.get(word, word)
        fault = None
        if quantity in QUANTITIES:
            quantity = QUANTITIES[quantity].name  # one text, however many topics name it
        elif quantity is not None:
            allowed = ", ".join([*config.names, *QUANTITIES])
            fault = (Reason.UNKNOWN_QUANTITY, f"quantity is {word!r:.60}; allowed: {allowed}")
        return Target(
            self._reading,
            tank,
            quantity,
            sensor_name(sensor) if sensor is not None else None,
            fault,
            self._conversion(quantity) if fault is None else None,
        )

    def _conversion(self, quantity: str | None) -> Conversion | None:
        config = self._config
        if quantity is None or config.path is not None or config.format not in ("auto", "number"):
            return None
        try:
            return conversion_to(quantity, config.unit)
        except PayloadError:
            return None  # each message is then rejected with what is wrong with the unit

    def _match(self, levels: list[str]) -> dict[str, str] | None:
        parts: dict[str, str] = {}
        for index, wanted in enumerate(self._levels):
            if wanted == "#":
                return parts
            if index >= len(levels):
                return None
            name = _name_of(wanted)
            if name is not None:
                parts[name] = levels[index]
            elif wanted not in ("+", levels[index]):
                return None
        return parts if len(levels) == len(self._levels) else None


def _name_of(level: str) -> str | None:
    inner = level[1:-1] if level.startswith("{") and level.endswith("}") else ""
    return inner if inner in _NAMED else None


def sensor_name(text: str) -> str:
    """A sensor's name as it is stored: of ``a-z 0-9 _ -``, at most 64, never empty."""
    name = _NOT_IN_NAME.sub("-", text.lower()).strip("-")[:64]
    return name or DEFAULT_SENSOR
