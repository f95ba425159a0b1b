"""Tables of what running processes leave for each other."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from sqlalchemy import JSON, BigInteger, Float, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import ID_LENGTH, Base

PROCESS_TABLES: Final = ("scheduler", "lease")
"""Tables that are empty in a backup, since they say which processes run."""


class StatusRow(Base):
    """The status that a process last reported."""

    __tablename__ = "status"

    name: Mapped[str] = mapped_column(Text, primary_key=True)
    document: Mapped[dict[str, Any]]


class SchedulerRow(Base):
    """One process that evaluates tanks; ``beat`` rises while it runs and is not alone."""

    __tablename__ = "scheduler"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    process: Mapped[str] = mapped_column(Text)
    lease_s: Mapped[float] = mapped_column(Float)
    published: Mapped[list[Any]] = mapped_column(JSON())
    beat: Mapped[int] = mapped_column(BigInteger)
    since: Mapped[datetime]


class LeaseRow(Base):
    """Who evaluates one partition of the tanks; ``token`` rises each time that it is taken."""

    __tablename__ = "lease"

    name: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    holder: Mapped[str] = mapped_column(String(ID_LENGTH))
    token: Mapped[int] = mapped_column(BigInteger)
