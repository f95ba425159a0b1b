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
    """

    type: str
    subject: str
    tank: str
    time: datetime
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Event:
    """An event of the log.

    Attributes:
        sequence: rises by time of commit and is never used again; what a listener has seen.
        id: unique anywhere; what a receiver recognises a repetition by.
    """

    sequence: int
    id: str
    type: str
    subject: str
    tank: str
    time: datetime
    data: Mapping[str, Any]


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
