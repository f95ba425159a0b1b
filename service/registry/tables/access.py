"""Tables of who may do what, and of who wrote what."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from sqlalchemy import ForeignKey, Index, LargeBinary, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.registry.tables.base import BIG_KEY, ID_LENGTH, Base

SECRET_TABLES: Final = ("signing_key", "login_session")
"""Tables that are empty in a backup, which must let nobody in: sessions and the key begin anew."""


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

    sequence: Mapped[int] = mapped_column(BIG_KEY, primary_key=True)
    time: Mapped[datetime]
    actor_kind: Mapped[str] = mapped_column(String(ID_LENGTH))
    actor_id: Mapped[str] = mapped_column(String(ID_LENGTH))
    actor_name: Mapped[str] = mapped_column(Text)
    address: Mapped[str] = mapped_column(Text)
    action: Mapped[str] = mapped_column(String(ID_LENGTH))
    subject: Mapped[str] = mapped_column(Text)
    members: Mapped[list[str]]
