"""Tables of how readings come in: routes, sensors, clocks of devices, rejected messages."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import BIG_KEY, ID_LENGTH, Base


class RouteRow(Base):
    """One route that somebody made; those of the configuration are in its file."""

    __tablename__ = "route"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str | None] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    document: Mapped[dict[str, Any]]
    created: Mapped[datetime]
    by: Mapped[str] = mapped_column(Text)


class FirstSensorRow(Base):
    """The sensor of a quantity that was there first in a tank."""

    __tablename__ = "first_sensor"

    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"), primary_key=True)
    quantity: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    sensor: Mapped[str] = mapped_column(String(ID_LENGTH))


class DeviceClockRow(Base):
    """The clock behind one series, while it is known to be off by a constant."""

    __tablename__ = "device_clock"

    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"), primary_key=True)
    quantity: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    sensor: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    fast_s: Mapped[int] = mapped_column(BigInteger)
    since: Mapped[datetime]


class RejectionRow(Base):
    """One of the latest rejected messages."""

    __tablename__ = "rejection"
    __table_args__ = (Index(None, "tank", "id"),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True)
    time: Mapped[datetime]
    tank: Mapped[str] = mapped_column(Text)
    topic: Mapped[str] = mapped_column(Text)
    payload_excerpt: Mapped[str] = mapped_column(Text)
    reason_code: Mapped[str] = mapped_column(Text)
    detail: Mapped[str] = mapped_column(Text)
    source: Mapped[str] = mapped_column(Text)


class RejectionCountRow(Base):
    """How many messages were ever rejected for one reason."""

    __tablename__ = "rejection_count"

    reason_code: Mapped[str] = mapped_column(Text, primary_key=True)
    total: Mapped[int] = mapped_column(BigInteger)
