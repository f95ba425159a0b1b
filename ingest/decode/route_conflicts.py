"""Finds routes that would write two values of one message into one series: one would be lost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, product
from typing import Final

from service.config import RouteConfig
from service.errors import ConfigError
from service.quantities import QUANTITIES
from service.store import DEFAULT_SENSOR

_NAMED: Final = ("tank", "quantity", "sensor")
#: A level that no route names.
_ANY: Final = "x"
#: Topics that are tried for two routes: more than their names can make.
_MOST_TRIED: Final = 20_000

Series = tuple[str, str, str]


def conflict(one: RouteConfig, other: RouteConfig) -> str | None:
    """Why two routes exclude each other, as a sentence; None where they do not.

    Two routes may lead to one series where each has topics of its own, or where both read the same
    value. What the payload itself names is seen only when a message comes.
    """
    if _reads(one) == _reads(other):
        return None
    for topic in _common_topics(one, other):
        series = _series(one, topic)
        if series is not None and series == _series(other, topic):
            tank, quantity, sensor = series
            return (
                f"the routes of {one.topic!r:.120}{_at(one)} and {other.topic!r:.120}{_at(other)} "
                f"write two values into one series ({tank} {quantity}, sensor {sensor}), where one "
                "would be lost; give one of them another sensor"
            )
    return None


def check_distinct(routes: Sequence[RouteConfig]) -> None:
    """Refuse routes that exclude each other.

    Raises:
        ConfigError: names two of them.
    """
    for one, other in combinations(routes, 2):
        if said := conflict(one, other):
            raise ConfigError(said)


def _at(route: RouteConfig) -> str:
    return "" if route.path is None else f" (path {route.path!r:.60})"


def _reads(route: RouteConfig) -> tuple[object, ...]:
    """What decides which number a route makes of a payload."""
    path = None if route.path == "value" else route.path
    clock = (route.time_path, route.clock_offset_s, route.time_zone)
    return (path, route.unit, *clock)


def _series(route: RouteConfig, topic: Sequence[str]) -> Series | None:
    """The series of a topic; None where the payload names a part of it."""
    levels = route.topic.split("/")
    parts = {level[1:-1]: topic[n] for n, level in enumerate(levels) if _is_named(level)}
    tank = parts.get("tank", route.tank)
    word = parts.get("quantity")
    quantity = route.quantity if word is None else route.names.get(word, word)
    sensor = parts.get("sensor", route.sensor)
    if route.format in ("senml", "line") and sensor is None:
        return None
    if tank is None or quantity not in QUANTITIES:
        return None
    return tank, quantity, sensor or DEFAULT_SENSOR


def _common_topics(one: RouteConfig, other: RouteConfig) -> Iterator[tuple[str, ...]]:
    """Topics that both match: all that their names make, and one of each wildcard."""
    ours, theirs = one.topic.split("/"), other.topic.split("/")
    names = {
        text
        for route in (one, other)
        for text in (route.tank, route.sensor, *route.names, _ANY)
        if text
    }
    free = sorted(names | set(QUANTITIES))
    levels: list[list[str]] = []
    for n in range(max(len(ours), len(theirs))):
        mine, its = _level(ours, n), _level(theirs, n)
        if mine is None or its is None:
            return
        fixed = {level for level in (mine, its) if not _is_free(level)}
        if len(fixed) > 1:
            return
        levels.append([*fixed] if fixed else free if _is_named(mine) or _is_named(its) else [_ANY])
    for count, topic in enumerate(product(*levels)):
        if count >= _MOST_TRIED:
            return
        yield topic


def _level(levels: Sequence[str], n: int) -> str | None:
    """A level of a route; ``+`` below its ``#``; None beyond its end."""
    if levels[-1] == "#" and n >= len(levels) - 1:
        return "+"
    return levels[n] if n < len(levels) else None


def _is_named(level: str) -> bool:
    return level[:1] == "{" and level[-1:] == "}" and level[1:-1] in _NAMED


def _is_free(level: str) -> bool:
    return level == "+" or _is_named(level)
