"""The base of all tables, and types of columns that are the same on every database."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, DateTime, Dialect, Integer, MetaData, TypeDecorator
from sqlalchemy.orm import DeclarativeBase

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


BIG_KEY = BigInteger().with_variant(Integer(), "sqlite")  # SQLite counts up INTEGER only
