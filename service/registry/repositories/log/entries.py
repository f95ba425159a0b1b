"""Registry of what people did to the tanks and saw in them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import fields, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Row, Select, delete, select

from service.errors import ConflictError, NotFoundError
from service.registry.audit import Action, AuditedWrite
from service.registry.checks import check_log
from service.registry.database.connection import Database
from service.registry.database.row_ids import new_id
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.nothing import NOTHING
from service.registry.models.pictures import A_PICTURE, NO_PICTURES, SentPictures
from service.registry.repositories.log.order import NEWEST_FIRST, next_in_log
from service.registry.repositories.log.pictures import insert_pictures, require_sent_before
from service.registry.repositories.tanks import lock_tank, no_tank
from service.registry.tables.log import LogRow
from service.registry.tables.tanks import TankRow


class LogRepository(Database):
    """Log entries, stored until they are deleted."""

    def add_log(
        self,
        tank: str,
        kind: LogKind,
        time: datetime | None,
        data: Mapping[str, Any] = NOTHING,
        note: str = "",
        by: str = "",
        recorded: datetime | None = None,
        *,
        id: str | None = None,
        pictures: SentPictures = NO_PICTURES,
    ) -> LogEntry:
        """Note what was done or seen.

        Args:
            time: when it was done, aware; None: when it was recorded.
            data: what belongs to the kind, see ``LogEntry``.
            recorded: when it was written down, aware.
            id: given by a caller that may have to repeat itself: the same entry under the same
                id is stored once.
            pictures: that it comes with.

        Raises:
            InvalidInputError: a field is not allowed, or there are too many pictures.
            NotFoundError: no such tank.
            ConflictError: another entry has this id, or it has other pictures.
        """
        at = time or recorded
        if at is None:
            raise ValueError("an entry needs time or recorded")
        if kind == LogKind.OBSERVATION and pictures.sources and not data and not note.strip():
            note = A_PICTURE
        check_log(kind, at, data, note, by, recorded, id)
        entry = LogEntry(id or new_id(), tank, LogKind(kind), at, dict(data), note, by, recorded)
        write = AuditedWrite(Action.LOG_ADDED, f"tanks/{tank}/log/{entry.id}")
        with self.session(writes=write) as session:
            lock_tank(session, tank)
            values = _values(entry) | {"sequence": next_in_log(session, tank)}
            row = self._insert()(LogRow).values(values)
            row = row.on_conflict_do_nothing(index_elements=["id"]).returning(LogRow.id)
            # Whoever sends the same id at the same moment waits for the other's commit here.
            while session.scalars(row).first() is None:
                stored = session.get(LogRow, entry.id, populate_existing=True)
                if stored is not None:  # else it was just deleted
                    write.happened = False
                    require_sent_before(session, entry.id, pictures)
                    return _same_again(stored, entry, timed=time is not None)
            insert_pictures(session, tank, entry.id, pictures)
        return entry

    def log(
        self,
        tank: str,
        *,
        start: datetime | None = None,
        end: datetime | None = None,
        kinds: Collection[LogKind] | None = None,
        limit: int | None = None,
    ) -> list[LogEntry]:
        """Entries of a tank, newest first; of one moment the last written down and stored first.

        Args:
            start, end: only those with start <= time < end.
            kinds: only these; None means all.
            limit: at most so many.

        Raises:
            NotFoundError: no such tank.
        """
        query = _between(select(*COLUMNS).where(LogRow.tank == tank), start, end)
        if kinds is not None:
            query = query.where(LogRow.kind.in_([LogKind(kind).value for kind in kinds]))
        with self.session(writes=False) as session:
            rows = session.execute(query.order_by(*NEWEST_FIRST).limit(limit)).all()
            if not rows and session.get(TankRow, tank) is None:
                raise no_tank(tank)
        return [entry_of(row) for row in rows]

    def logs(
        self,
        *,
        start: datetime | None = None,
        end: datetime | None = None,
        kinds: Collection[LogKind] | None = None,
    ) -> dict[str, list[LogEntry]]:
        """Entries of all tanks with start <= time < end, by tank, newest first, in one query.

        Tanks without entries are left out.

        Args:
            kinds: only these; None means all.
        """
        query = _between(select(*COLUMNS), start, end).order_by(LogRow.tank, *NEWEST_FIRST)
        if kinds is not None:
            query = query.where(LogRow.kind.in_([LogKind(kind).value for kind in kinds]))
        with self.session(writes=False) as session:
            rows = session.execute(query).all()
        found: dict[str, list[LogEntry]] = {}
        for row in rows:
            found.setdefault(row.tank, []).append(entry_of(row))
        return found

    def log_entry(self, id: str) -> LogEntry:
        """One entry.

        Raises:
            NotFoundError: there is none of this id.
        """
        with self.session(writes=False) as session:
            row = session.get(LogRow, id)
        if row is None:
            raise _no_entry(id)
        return entry_of(row)

    def delete_log(self, id: str, *, tank: str | None = None) -> None:
        """Delete an entry that was written by mistake.

        Args:
            tank: only if it is one of this tank.

        Raises:
            NotFoundError: there is none of this id.
        """
        query = delete(LogRow).where(LogRow.id == id)
        if tank is not None:
            query = query.where(LogRow.tank == tank)
        write = AuditedWrite(Action.LOG_DELETED, f"log/{id}")
        with self.session(writes=write) as session:
            deleted_of = session.scalars(query.returning(LogRow.tank)).first()
            if deleted_of is None:
                raise _no_entry(id)
            write.subject = f"tanks/{deleted_of}/log/{id}"


#: Columns instead of whole rows: an object of the session for each would cost several times more.
COLUMNS = (
    LogRow.id,
    LogRow.tank,
    LogRow.kind,
    LogRow.time,
    LogRow.data,
    LogRow.note,
    LogRow.by,
    LogRow.recorded,
)


def _between(query: Select[Any], start: datetime | None, end: datetime | None) -> Select[Any]:
    if start is not None:
        query = query.where(LogRow.time >= start)
    return query if end is None else query.where(LogRow.time < end)


def row_of(entry: LogEntry, sequence: int) -> LogRow:
    """The row of an entry, with its number in the log of its tank."""
    return LogRow(**_values(entry), sequence=sequence)


def _values(entry: LogEntry) -> dict[str, Any]:
    values = {field.name: getattr(entry, field.name) for field in fields(entry)}
    return {**values, "kind": entry.kind.value, "data": dict(entry.data)}


def entry_of(row: LogRow | Row[Any]) -> LogEntry:
    """The entry of a row."""
    return LogEntry(
        id=row.id,
        tank=row.tank,
        kind=LogKind(row.kind),
        time=row.time,
        data=row.data,
        note=row.note,
        by=row.by,
        recorded=row.recorded,
    )


def _same_again(row: LogRow, entry: LogEntry, *, timed: bool) -> LogEntry:
    """The stored entry, if ``entry`` repeats it; only ``recorded`` may differ.

    Args:
        timed: it was sent with a time. One without was done when it was recorded, then as now.
    """
    stored = entry_of(row)
    if not timed and stored.time == stored.recorded:
        entry = replace(entry, time=stored.time)
    for name in ("tank", "kind", "time", "data", "note", "by"):
        if getattr(stored, name) != getattr(entry, name):
            raise ConflictError(f"log entry {entry.id!r} exists already with another {name}")
    return stored


def _no_entry(id: str) -> NotFoundError:
    return NotFoundError(f"log entry is {id!r}; allowed: the id of an entry in the log")
