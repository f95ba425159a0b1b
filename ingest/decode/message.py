"""MQTT messages as received, and the reasons for which one is rejected."""

from __future__ import annotations

import hashlib
from enum import IntEnum, StrEnum
from typing import Final, NamedTuple

from service.log_format import printable
from service.registry.models.ingest import Rejection
from service.times import from_us

#: A longer payload is rejected unread: no sensor needs it, and memory stays bounded.
PAYLOAD_LIMIT_BYTES: Final = 262_144
EXCERPT_LENGTH: Final = 200
DIGEST_BYTES: Final = 8


class Message(NamedTuple):
    """One message: from the broker, or the body of an HTTP request.

    Attributes:
        arrival_us: when it came, microseconds since 1970-01-01 UTC, by the service's clock.
        mid: packet identifier, 0 at QoS 0; acknowledged with it.
        dup: the broker has sent it before.
        retain: it was stored at the broker when we subscribed: nobody knows since when.
        connection: which connection brought it; only that one may acknowledge it.
        too_large: length of its packet where that was too large; the payload was not stored.
        numbered: it has a sequence number: one that is the same byte for byte is the same message.
    """

    topic: str
    payload: bytes
    arrival_us: int
    mid: int = 0
    qos: int = 0
    dup: bool = False
    retain: bool = False
    connection: int = 0
    too_large: int = 0
    numbered: bool = False


def digest_of(message: Message) -> bytes:
    """Eight bytes that are the same for the same topic and payload."""
    topic = message.topic.encode("utf-8", "surrogatepass")
    return hashlib.blake2b(topic + b"\0" + message.payload, digest_size=DIGEST_BYTES).digest()


class ClockState(IntEnum):
    """What is known of the clock that gave the times of a message; the numbers are on disk."""

    RIGHT = 0  # its times are used
    WRONG = 1  # and nobody knows by how much: the arrival is used
    SHIFTED = 2  # off by a known constant, which is taken off


class FirstDelivery(NamedTuple):
    """How a message was processed when it was delivered first; a redelivery repeats it.

    Attributes:
        arrival_us: its time of arrival, as it was used for its readings.
        clock: how its device's times were taken.
    """

    arrival_us: int
    clock: ClockState


class Reason(StrEnum):
    """Why a message or a part of it is no reading; the words are stable and counted."""

    UNKNOWN_TOPIC = "unknown-topic"
    UNKNOWN_TANK = "unknown-tank"
    UNKNOWN_QUANTITY = "unknown-quantity"
    EMPTY = "empty"
    TOO_LARGE = "too-large"
    NOT_TEXT = "not-text"
    NOT_A_NUMBER = "not-a-number"
    NOT_FINITE = "not-finite"
    UNKNOWN_UNIT = "unknown-unit"
    NO_VALUE = "no-value"
    TWO_VALUES = "two-values"
    BAD_JSON = "bad-json"
    BAD_SENML = "bad-senml"
    BAD_LINE = "bad-line"
    NOT_CALIBRATED = "not-calibrated"
    TOO_MANY_SENSORS = "too-many-sensors"
    STORE_REFUSED = "store-refused"
    INTERNAL = "internal"  # a fault of ours: please report it


class PayloadError(Exception):
    """A payload, or one record of it, cannot be understood.

    Attributes:
        reason: the stable word.
        detail: one sentence: which field, which value, what is allowed.
    """

    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


def excerpt(payload: bytes) -> str:
    """The beginning of a payload as printable text."""
    text = payload[: 2 * EXCERPT_LENGTH].decode("utf-8", "backslashreplace")[:EXCERPT_LENGTH]
    return printable(text)[:EXCERPT_LENGTH]


def rejection(
    message: Message, reason: Reason, detail: str, *, source: str = "", tank: str = ""
) -> Rejection:
    """The rejection to record for a message, or for one record of it."""
    return Rejection(
        from_us(message.arrival_us),
        message.topic[:EXCERPT_LENGTH],
        excerpt(message.payload),
        reason.value,
        detail,
        source,
        tank,
    )


def internal_rejection(message: Message, error: Exception) -> Rejection:
    """The rejection of a message that could not be processed because of a fault of ours."""
    detail = f"a fault of the ingester: {error!r:.200}; allowed: anything"
    return rejection(message, Reason.INTERNAL, detail)
