"""Tables of recommendations and of trials."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import ID_LENGTH, Base


class RecommendationRow(Base):
    """One recommendation with its history; ``finding`` is the document of the last finding.

    The last index has all that puts those of a state in order: their documents are left alone.
    """

    __tablename__ = "recommendation"
    __table_args__ = (
        Index(None, "tank", "state"),
        Index(None, "tank", "code", "subject"),
        Index(None, "state", "severity", "due", "first_seen", "id"),
    )

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    code: Mapped[str] = mapped_column(Text)
    subject: Mapped[str] = mapped_column(Text)
    severity: Mapped[int]
    state: Mapped[str] = mapped_column(String(ID_LENGTH))
    first_seen: Mapped[datetime]
    last_seen: Mapped[datetime]
    snoozed_until: Mapped[datetime | None]
    folded: Mapped[bool]
    finding: Mapped[dict[str, Any]]
    due: Mapped[datetime | None]


class TrialRow(Base):
    """One trial: its document as ``service.registry.documents`` writes it."""

    __tablename__ = "trial"
    __table_args__ = (Index(None, "tank", "state"),)

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    state: Mapped[str] = mapped_column(String(ID_LENGTH))
    begun: Mapped[datetime]
    look_again: Mapped[datetime]
    document: Mapped[dict[str, Any]]
    version: Mapped[str] = mapped_column(String(ID_LENGTH))
