"""How readings come in: routes, clocks of devices, and messages that were rejected."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.config import RouteConfig


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """A device's clock that is off by a known constant, as the readings of one series show it.

    Attributes:
        fast_s: so much fast; below 0: slow.
        since: when it was recognised, UTC.
    """

    tank: str
    quantity: str
    sensor: str
    fast_s: int
    since: datetime


@dataclass(frozen=True, slots=True)
class StoredRoute:
    """A route that somebody made on a page, by a command or over the API.

    Attributes:
        id: given by the registry.
        created: UTC.
        by: the name of who made it.
    """

    id: str
    route: RouteConfig
    created: datetime
    by: str = ""


@dataclass(frozen=True, slots=True)
class Rejection:
    """A message that could not become a reading, stored so that a person can see why.

    Attributes:
        time: when it arrived, UTC.
        topic: MQTT topic, or where else it came from.
        payload_excerpt: the beginning of the payload as text.
        reason_code: stable word, e.g. ``not-a-number``; counted.
        detail: one sentence: which field, which value, what is allowed.
        source: which part refused it, e.g. a route's name or ``http``.
        tank: its tank, where known.
        id: rises with every one that is stored; 0: it is not yet.
    """

    time: datetime
    topic: str
    payload_excerpt: str
    reason_code: str
    detail: str
    source: str = ""
    tank: str = ""
    id: int = 0
