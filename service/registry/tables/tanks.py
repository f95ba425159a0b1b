"""Tables of tanks and of absences.

A tank is one document (JSON) beside the columns that are searched: its plans are read and
written as a whole.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import ID_LENGTH, Base


class TankRow(Base):
    """One tank: its document as ``service.registry.documents`` writes it."""

    __tablename__ = "tank"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    document: Mapped[dict[str, Any]]
    version: Mapped[str] = mapped_column(String(ID_LENGTH))


class AbsenceRow(Base):
    """One absence of the tank keeper."""

    __tablename__ = "absence"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    start: Mapped[datetime]
    end: Mapped[datetime]
    covers: Mapped[str] = mapped_column(Text)
    tanks: Mapped[list[str]]
    note: Mapped[str] = mapped_column(Text)
    contact: Mapped[str] = mapped_column(Text)


class ListRow(Base):
    """The version of a list that is read and written as a whole, such as that of absences."""

    __tablename__ = "list"

    name: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    version: Mapped[str] = mapped_column(String(ID_LENGTH))
