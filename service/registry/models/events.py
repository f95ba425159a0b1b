"""Events in the order they happened, and their delivery to other programs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any


@dataclass(frozen=True, slots=True)
class NewEvent:
    """Something that happened, before the registry has numbered it.

    Attributes:
        type: e.g. ``recommendation.opened``.
        subject: what it happened to, e.g. ``<tank>/<recommendation id>``.
        tank: the tank, or "".
        time: when, UTC.
        data: its JSON document.
        target: the only target that it is for, which alone sees it; "": it is for all.
        id: unique anywhere; an event with an id that there is already changes nothing. "": a
            new one.
    """

    type: str
    subject: str
    tank: str
    time: datetime
    data: Mapping[str, Any]
    target: str = ""
    id: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """An event of the log.

    Attributes:
        sequence: rises by time of commit and is never used again; what a listener has seen.
        id: unique anywhere; what a receiver recognises a repetition by.
        target: the only target that it is for; "": it is for all.
    """

    sequence: int
    id: str
    type: str
    subject: str
    tank: str
    time: datetime
    data: Mapping[str, Any]
    target: str = ""


@dataclass(frozen=True, slots=True)
class Revision:
    """The newest event of a subject: its sequence, which only rises, and when it happened, UTC."""

    sequence: int
    time: datetime


class DeliveryState(StrEnum):
    """The state of the delivery of one event to one target."""

    WAITING = "waiting"
    DELIVERED = "delivered"
    DEAD = "dead"  # given up; can be inspected and sent again
    SKIPPED = "skipped"  # there was nothing to send any more


@dataclass(frozen=True, slots=True)
class Delivery:
    """The delivery of one event to one target.

    Attributes:
        attempts: how many were made and counted.
        next_try: not before this time, UTC.
        last_error: why the last attempt failed; "" if none did.
        settled: when it was delivered or given up, UTC.
    """

    id: int
    target: str
    event: Event
    state: DeliveryState
    attempts: int
    next_try: datetime
    last_error: str = ""
    settled: datetime | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """Somebody or something that events are delivered to.

    Attributes:
        name: from the configuration.
        stopped: since when nothing is sent there, as the receiver or a person asked; None: it is.
    """

    name: str
    stopped: datetime | None
