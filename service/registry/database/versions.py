"""Versions of rows, and writes that happen only if a version is still there: compare and set.

Every conditional write goes through here. The database compares the version in the statement that
writes, so that of several who read the same version one alone succeeds, whatever process they are
in: on SQLite a writing transaction excludes the others from its start, on PostgreSQL the second
UPDATE or DELETE of a row waits for the first and compares again.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Generic, TypeVar

from sqlalchemy import ColumnElement, and_, delete, false, select, true, update
from sqlalchemy.orm import Session

from service.errors import PreconditionFailedError

_T = TypeVar("_T")

VERSION_BYTES: Final = 12
"""96 random bits: a version is never used again, also not for the same content."""


def new_version() -> str:
    """A version that no row ever had, ``[0-9a-f]``."""
    return secrets.token_hex(VERSION_BYTES)


@dataclass(frozen=True, slots=True)
class Stored(Generic[_T]):
    """A value as it is stored.

    Attributes:
        version: changes with every write.
        created: whether this write made it.
    """

    value: _T
    version: str
    created: bool = False


@dataclass(frozen=True, slots=True)
class PutRow:
    """What became of a row: its version, whether it is new, whether anything was written."""

    version: str
    created: bool = False
    written: bool = True


@dataclass(frozen=True, slots=True)
class Precondition:
    """What must be stored for a write to happen.

    Attributes:
        versions: one of these; None: any.
        unwanted: none of these.
        exists: whether there must be one (True), or none (False); None: either.
    """

    versions: frozenset[str] | None = None
    unwanted: frozenset[str] = field(default_factory=frozenset)
    exists: bool | None = None

    @property
    def may_create(self) -> bool:
        """Whether it holds where nothing is stored."""
        return self.versions is None and self.exists is not True

    def holds(self, version: Any) -> ColumnElement[bool]:
        """Whether it holds for a stored row with this column of versions, for the database."""
        wanted = true() if self.versions is None else version.in_(sorted(self.versions))
        return and_(
            false() if self.exists is False else true(),
            wanted,
            version.not_in(sorted(self.unwanted)) if self.unwanted else true(),
        )


ANY: Final = Precondition()
"""Whatever is stored."""


def put_row(
    session: Session,
    insert: Callable[[Any], Any],
    table: Any,
    key: Mapping[str, Any],
    values: Mapping[str, Any],
    only_if: Precondition,
) -> PutRow:
    """Update the row of a key, or insert it, if the precondition holds.

    Without any condition a row that has these values already is left as it is, version and all; a
    condition uses up the version that it names.

    Args:
        insert: the dialect's INSERT.
        table: has a column ``version``.

    Raises:
        PreconditionFailedError: it does not hold; nothing was written.
    """
    version = new_version()
    while True:
        if only_if == ANY and (same := _version_of_same(session, table, key, values)) is not None:
            return PutRow(same, written=False)
        if _update(session, table, key, {**values, "version": version}, only_if):
            return PutRow(version)
        if only_if.may_create:
            row = insert(table).values(**key, **values, version=version)
            if session.scalars(row.on_conflict_do_nothing().returning(table.version)).first():
                return PutRow(version, created=True)
        if only_if != ANY:
            raise _failed(session, table, key)
        # Somebody else has inserted it in between; it can be updated now.


def update_row(
    session: Session,
    table: Any,
    key: Mapping[str, Any],
    values: Mapping[str, Any],
    only_if: Precondition,
) -> str:
    """Update a row that is there, if the precondition holds; returns its new version.

    Raises:
        PreconditionFailedError: it does not hold; nothing was written.
    """
    version = new_version()
    if not _update(session, table, key, {**values, "version": version}, only_if):
        raise _failed(session, table, key)
    return version


def delete_row(session: Session, table: Any, key: Mapping[str, Any], only_if: Precondition) -> bool:
    """Delete a row, if the precondition holds; False if there is none.

    Raises:
        PreconditionFailedError: it does not hold; nothing was deleted.
    """
    query = delete(table).where(*_of(table, key), only_if.holds(table.version))
    if session.scalars(query.returning(table.version)).first():
        return True
    if _present(session, table, key) is None:
        return False
    raise _failed(session, table, key)


def _update(
    session: Session,
    table: Any,
    key: Mapping[str, Any],
    values: Mapping[str, Any],
    only_if: Precondition,
) -> bool:
    query = update(table).where(*_of(table, key), only_if.holds(table.version)).values(**values)
    query = query.execution_options(synchronize_session=False)
    return bool(session.scalars(query.returning(table.version)).first())


def _version_of_same(
    session: Session, table: Any, key: Mapping[str, Any], values: Mapping[str, Any]
) -> str | None:
    """The version of a row that has these values already."""
    columns = [getattr(table, name) for name in values]
    query = select(table.version, *columns).where(*_of(table, key))
    row = session.execute(query.with_for_update(key_share=True)).first()
    return row[0] if row is not None and list(row[1:]) == list(values.values()) else None


def _of(table: Any, key: Mapping[str, Any]) -> list[ColumnElement[bool]]:
    return [getattr(table, name) == value for name, value in key.items()]


def _present(session: Session, table: Any, key: Mapping[str, Any]) -> str | None:
    return session.scalar(select(table.version).where(*_of(table, key)))


def _failed(session: Session, table: Any, key: Mapping[str, Any]) -> PreconditionFailedError:
    """The error, which names the version that is stored."""
    present = _present(session, table, key)
    there = "there is none" if present is None else f'the present version is "{present}"'
    return PreconditionFailedError(f"changed by somebody else in the meantime: {there}")
