"""Tables of what running processes leave for each other."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import Base


class StatusRow(Base):
    """The status that a process last reported."""

    __tablename__ = "status"

    name: Mapped[str] = mapped_column(Text, primary_key=True)
    document: Mapped[dict[str, Any]]
