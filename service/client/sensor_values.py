"""What sets sensors up and what was delivered, as typed values; names as in the JSON."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Route:
    """Which MQTT topic feeds which tank and quantity; None where topic or payload say it."""

    topic: str
    tank: str | None = None
    quantity: str | None = None
    sensor: str | None = None
    format: str = "auto"
    path: str | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class KnownRoute:
    """A route and where it comes from.

    Attributes:
        id: None of one that is in the configuration.
        unused: why it cannot be used; None: it is used.
    """

    id: str | None
    origin: str
    created: datetime | None
    by: str
    unused: str | None
    route: Route


@dataclass(frozen=True, slots=True)
class StoredAs:
    """A reading that is stored of a message, or would be."""

    tank: str
    quantity: str
    sensor: str
    value: float
    unit: str
    flags: list[str]


@dataclass(frozen=True, slots=True)
class RouteOffer:
    """A route that would store a message; ``left_open``: keys that a person has to fill in."""

    route: Route
    left_open: list[str]
    stored: list[StoredAs]
    refused: list[str]


@dataclass(frozen=True, slots=True)
class BrokerTopic:
    """A topic of the broker with its last message."""

    topic: str
    count: int
    time: datetime
    payload: str
    retained: bool
    routed: bool
    stored: list[StoredAs]
    refused: list[str]
    offers: list[RouteOffer]


@dataclass(frozen=True, slots=True)
class BrokerTraffic:
    """What arrived at the broker since listening began; ``trouble``: why nothing is heard."""

    listening: bool
    trouble: str | None
    left_out: int
    topics: list[BrokerTopic]


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration of the log, in words."""

    id: str
    time: datetime
    quantity: str
    sensor: str
    text: str
    by: str


@dataclass(frozen=True, slots=True)
class UndoneCalibration:
    """A calibration that was taken back, and how many readings since have other values now."""

    id: str
    readings: int
    changed: int


@dataclass(frozen=True, slots=True)
class DeliveredEvent:
    """The event of a delivery."""

    sequence: int
    id: str
    type: str
    subject: str
    tank: str
    time: datetime


@dataclass(frozen=True, slots=True)
class Delivery:
    """The delivery of one event to a webhook or a recipient of mail."""

    id: int
    target: str
    state: str
    attempts: int
    next_try: datetime
    last_error: str
    settled: datetime | None
    event: DeliveredEvent
