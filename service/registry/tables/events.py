"""Tables of events and of their delivery."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import BIG_KEY, ID_LENGTH, Base


class EventRow(Base):
    """One event; ``sequence`` is never used again, not even after the last row is gone."""

    __tablename__ = "event"
    __table_args__ = (
        UniqueConstraint("id"),
        Index(None, "time"),
        Index(None, "subject", "sequence"),
        {"sqlite_autoincrement": True},
    )

    sequence: Mapped[int] = mapped_column(BIG_KEY, primary_key=True)
    id: Mapped[str] = mapped_column(String(ID_LENGTH))
    type: Mapped[str] = mapped_column(Text)
    subject: Mapped[str] = mapped_column(Text)
    tank: Mapped[str] = mapped_column(Text)
    time: Mapped[datetime]
    data: Mapped[dict[str, Any]]
    target: Mapped[str] = mapped_column(String(ID_LENGTH), server_default="")


class DeliveryRow(Base):
    """The delivery of one event to one target; ``claimed_until`` excludes other processes.

    ``claimed_by`` is the scheduler that attempts it: its claims end with it.
    """

    __tablename__ = "delivery"
    __table_args__ = (
        UniqueConstraint("target", "event"),
        Index(None, "state", "target", "next_try"),
        Index(None, "event"),
    )

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True)
    target: Mapped[str] = mapped_column(String(ID_LENGTH))
    event: Mapped[int] = mapped_column(ForeignKey("event.sequence", ondelete="CASCADE"))
    subject: Mapped[str] = mapped_column(Text)
    state: Mapped[str] = mapped_column(String(ID_LENGTH))
    attempts: Mapped[int]
    next_try: Mapped[datetime]
    claimed_until: Mapped[datetime | None]
    claimed_by: Mapped[str] = mapped_column(String(ID_LENGTH), server_default="")
    last_error: Mapped[str] = mapped_column(Text)
    settled: Mapped[datetime | None]


class TargetRow(Base):
    """How far the events have been handed to one target's deliveries, and whether it wants any."""

    __tablename__ = "target"

    name: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    seen: Mapped[int] = mapped_column(BigInteger)
    stopped: Mapped[datetime | None]
