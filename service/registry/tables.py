"""The registry's tables, all in one metadata, so that alembic sees every one of them.

A tank is one document (JSON) beside the columns that are searched: its plans are read and
written as a whole. Whatever is filtered or sorted has a column. Times are UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

ID_LENGTH = 64
"""Longest id of a tank; also of every other id."""


class UtcTime(TypeDecorator[datetime]):
    """Aware UTC datetime, exact to the microsecond, on every database.

    SQLite stores it as text of fixed width, which sorts by time; PostgreSQL as ``timestamptz``.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC; a naive datetime is a mistake of the caller."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"time is {value!r}; allowed: a datetime with a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From UTC; SQLite gives it back without the zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy wants a plain dict here
        datetime: UtcTime(),
        dict[str, Any]: JSON(),
        list[str]: JSON(),
    }


_BIG_KEY = BigInteger().with_variant(Integer(), "sqlite")  # SQLite counts up INTEGER only


SECRET_TABLES: Final = ("signing_key", "login_session")
"""Tables that are empty in a backup, which must let nobody in: sessions and the key begin anew."""


class TankRow(Base):
    """One tank: its document as ``service.registry.documents`` writes it."""

    __tablename__ = "tank"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    document: Mapped[dict[str, Any]]
    version: Mapped[str] = mapped_column(String(ID_LENGTH))


class LogRow(Base):
    """One log entry."""

    __tablename__ = "log_entry"
    __table_args__ = (Index(None, "tank", "time"), Index(None, "tank", "kind", "time"))

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    kind: Mapped[str] = mapped_column(String(ID_LENGTH))
    time: Mapped[datetime]
    data: Mapped[dict[str, Any]]
    note: Mapped[str] = mapped_column(Text)
    by: Mapped[str] = mapped_column(Text)
    recorded: Mapped[datetime | None]


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


class RejectionRow(Base):
    """One of the latest rejected messages."""

    __tablename__ = "rejection"
    __table_args__ = (Index(None, "tank", "id"),)

    id: Mapped[int] = mapped_column(_BIG_KEY, primary_key=True)
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


class StatusRow(Base):
    """The status that a process last reported."""

    __tablename__ = "status"

    name: Mapped[str] = mapped_column(Text, primary_key=True)
    document: Mapped[dict[str, Any]]


class RecommendationRow(Base):
    """One recommendation with its history; ``finding`` is the document of the last finding."""

    __tablename__ = "recommendation"
    __table_args__ = (Index(None, "tank", "state"), Index(None, "tank", "code", "subject"))

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


class TokenRow(Base):
    """One bearer token; its secret only as salt and hash."""

    __tablename__ = "token"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    scope: Mapped[str] = mapped_column(String(ID_LENGTH))
    secret_hash: Mapped[str] = mapped_column(Text)
    created: Mapped[datetime]
    expires: Mapped[datetime | None]
    revoked: Mapped[datetime | None]
    last_used: Mapped[datetime | None]


class LoginSessionRow(Base):
    """One session of the pages; its secret only as salt and hash."""

    __tablename__ = "login_session"
    __table_args__ = (Index(None, "token"),)

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    token: Mapped[str] = mapped_column(ForeignKey("token.id", ondelete="CASCADE"))
    secret_hash: Mapped[str] = mapped_column(Text)
    created: Mapped[datetime]
    last_used: Mapped[datetime]
    expires: Mapped[datetime]
    ended: Mapped[datetime | None]


class ShareLinkRow(Base):
    """One link to a handover sheet; its secret only as salt and hash."""

    __tablename__ = "share_link"
    __table_args__ = (Index(None, "tank"),)

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    start: Mapped[datetime]
    end: Mapped[datetime]
    secret_hash: Mapped[str] = mapped_column(Text)
    created: Mapped[datetime]
    expires: Mapped[datetime]
    revoked: Mapped[datetime | None]
    last_used: Mapped[datetime | None]
    name: Mapped[str] = mapped_column(Text)
    may_report: Mapped[bool]


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
            sqlite_where=text("entry IS NOT NULL"),
            postgresql_where=text("entry IS NOT NULL"),
        ),
        Index(None, "entry"),
    )

    id: Mapped[int] = mapped_column(_BIG_KEY, primary_key=True)
    link: Mapped[str] = mapped_column(ForeignKey("share_link.id", ondelete="CASCADE"))
    key: Mapped[str] = mapped_column(String(ID_LENGTH))
    tank: Mapped[str] = mapped_column(ForeignKey("tank.id", ondelete="CASCADE"))
    task: Mapped[str | None] = mapped_column(Text)
    title: Mapped[str] = mapped_column(Text)
    time: Mapped[datetime]
    received: Mapped[datetime]
    entry: Mapped[str | None] = mapped_column(ForeignKey("log_entry.id", ondelete="SET NULL"))


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


class SigningKeyRow(Base):
    """A key that the service made for itself, shared by its processes."""

    __tablename__ = "signing_key"

    purpose: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    key: Mapped[bytes] = mapped_column(LargeBinary)


class AuditRow(Base):
    """One thing that somebody wrote; neither secrets nor what was written."""

    __tablename__ = "audit"
    __table_args__ = (
        Index(None, "time"),
        Index(None, "action", "sequence"),
        {"sqlite_autoincrement": True},
    )

    sequence: Mapped[int] = mapped_column(_BIG_KEY, primary_key=True)
    time: Mapped[datetime]
    actor_kind: Mapped[str] = mapped_column(String(ID_LENGTH))
    actor_id: Mapped[str] = mapped_column(String(ID_LENGTH))
    actor_name: Mapped[str] = mapped_column(Text)
    address: Mapped[str] = mapped_column(Text)
    action: Mapped[str] = mapped_column(String(ID_LENGTH))
    subject: Mapped[str] = mapped_column(Text)
    members: Mapped[list[str]]


class EventRow(Base):
    """One event; ``sequence`` is never used again, not even after the last row is gone."""

    __tablename__ = "event"
    __table_args__ = (
        UniqueConstraint("id"),
        Index(None, "time"),
        Index(None, "subject", "sequence"),
        {"sqlite_autoincrement": True},
    )

    sequence: Mapped[int] = mapped_column(_BIG_KEY, primary_key=True)
    id: Mapped[str] = mapped_column(String(ID_LENGTH))
    type: Mapped[str] = mapped_column(Text)
    subject: Mapped[str] = mapped_column(Text)
    tank: Mapped[str] = mapped_column(Text)
    time: Mapped[datetime]
    data: Mapped[dict[str, Any]]
    target: Mapped[str] = mapped_column(String(ID_LENGTH), server_default="")


class DeliveryRow(Base):
    """The delivery of one event to one target; ``claimed_until`` excludes other processes."""

    __tablename__ = "delivery"
    __table_args__ = (
        UniqueConstraint("target", "event"),
        Index(None, "state", "target", "next_try"),
        Index(None, "event"),
    )

    id: Mapped[int] = mapped_column(_BIG_KEY, primary_key=True)
    target: Mapped[str] = mapped_column(String(ID_LENGTH))
    event: Mapped[int] = mapped_column(ForeignKey("event.sequence", ondelete="CASCADE"))
    subject: Mapped[str] = mapped_column(Text)
    state: Mapped[str] = mapped_column(String(ID_LENGTH))
    attempts: Mapped[int]
    next_try: Mapped[datetime]
    claimed_until: Mapped[datetime | None]
    last_error: Mapped[str] = mapped_column(Text)
    settled: Mapped[datetime | None]


class TargetRow(Base):
    """How far the events have been handed to one target's deliveries, and whether it wants any."""

    __tablename__ = "target"

    name: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True)
    seen: Mapped[int] = mapped_column(BigInteger)
    stopped: Mapped[datetime | None]
