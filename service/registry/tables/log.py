"""Tables of the log: entries, their pictures, and reports that came with a link."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, ForeignKey, Index, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import BIG_KEY, ID_LENGTH, Base


class LogRow(Base):
    """One log entry; ``sequence`` numbers those of its tank as they are stored."""

    __tablename__ = "log_entry"
    __table_args__ = (
        Index(None, "tank", "time"),
        Index(None, "tank", "kind", "time"),
        Index("uq_log_entry_tank_sequence", "tank", "sequence", unique=True),
    )

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    kind: Mapped[str] = mapped_column(String(ID_LENGTH))
    time: Mapped[datetime]
    data: Mapped[dict[str, Any]]
    note: Mapped[str] = mapped_column(Text)
    by: Mapped[str] = mapped_column(Text)
    recorded: Mapped[datetime | None]
    sequence: Mapped[int] = mapped_column(BigInteger)


class PictureRow(Base):
    """One picture of a log entry; its files are called by its id.

    Without an entry it was deleted, by itself or with what it belonged to: the row stays until its
    files are gone too.
    """

    __tablename__ = "picture"
    __table_args__ = (UniqueConstraint("entry", "source_sha256"), Index(None, "tank"))

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str | None] = mapped_column(ForeignKey("tank.id", ondelete="SET NULL"))
    entry: Mapped[str | None] = mapped_column(ForeignKey("log_entry.id", ondelete="SET NULL"))
    position: Mapped[int]
    width: Mapped[int]
    height: Mapped[int]
    bytes: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str] = mapped_column(String(ID_LENGTH))
    thumbnail_bytes: Mapped[int] = mapped_column(BigInteger)
    thumbnail_sha256: Mapped[str] = mapped_column(String(ID_LENGTH))
    source_sha256: Mapped[str] = mapped_column(String(ID_LENGTH))


class LinkReportRow(Base):
    """One report that came with a sharing link, taken once.

    ``task`` is None for a report that belongs to no task; ``entry`` becomes None when the log entry
    is deleted: the task may then be reported anew, while the same report again stays what it was.
    """

    __tablename__ = "link_report"
    __table_args__ = (
        UniqueConstraint("link", "key"),
        Index(
            "uq_link_report_tank_task",
            "tank",
            "task",
            unique=True,
            # The migration has the same for PostgreSQL; here it would load all of that dialect.
            sqlite_where=text("entry IS NOT NULL"),
        ),
        Index(None, "entry"),
    )

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True)
    link: Mapped[str] = mapped_column(ForeignKey("share_link.id", ondelete="CASCADE"))
    key: Mapped[str] = mapped_column(String(ID_LENGTH))
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    task: Mapped[str | None] = mapped_column(Text)
    title: Mapped[str] = mapped_column(Text)
    time: Mapped[datetime]
    received: Mapped[datetime]
    entry: Mapped[str | None] = mapped_column(ForeignKey("log_entry.id", ondelete="SET NULL"))
