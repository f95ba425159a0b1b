"""Registry of the pictures of log entries."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import ColumnElement, Row, Select, delete, func, select, update
from sqlalchemy.orm import Session

from service.errors import ConflictError, InvalidInputError, NotFoundError
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.models.log import LogKind
from service.registry.models.pictures import (
    MOST_OF_AN_ENTRY,
    NewPicture,
    Picture,
    PicturePlace,
    SentPictures,
    StoredFile,
)
from service.registry.repositories.log.order import NEWEST_FIRST
from service.registry.repositories.tanks import lock_tank
from service.registry.tables.log import LogRow, PictureRow

FIELD: Final = "picture"
"""What an error names: the part of the request that the picture came in."""


class PictureRepository(Database):
    """Pictures: added with their entry or later, deleted with it or by themselves."""

    def add_pictures(self, tank: str, entry: str, sent: SentPictures) -> None:
        """Add pictures to an entry that is there; those that it has already stay one.

        Raises:
            NotFoundError: no such tank, or no such entry of it.
            InvalidInputError: the tank or the entry has too many.
        """
        write = AuditedWrite(Action.PICTURES_ADDED, f"tanks/{tank}/log/{entry}")
        with self.session(writes=write) as session:
            lock_tank(session, tank)
            query = select(LogRow.id).where(LogRow.id == entry, LogRow.tank == tank)
            if session.scalar(query.with_for_update(read=True, key_share=True)) is None:
                raise NotFoundError(
                    f"log entry is {entry!r}; allowed: the id of an entry of {tank}"
                )
            write.happened = insert_pictures(session, tank, entry, sent)

    def pictures(
        self,
        tank: str,
        *,
        start: datetime | None = None,
        end: datetime | None = None,
        entries: Collection[str] | None = None,
        after: PicturePlace | None = None,
        limit: int | None = None,
    ) -> list[Picture]:
        """Pictures of a tank, of the newest entry first; none of a tank that is not there.

        Args:
            start, end: only of entries with start <= time < end.
            entries: only of these.
            after: only what comes after this place, whether there is a picture or not.
            limit: at most so many.
        """
        query = _PICTURES.where(PictureRow.tank == tank)
        if start is not None:
            query = query.where(LogRow.time >= start)
        if end is not None:
            query = query.where(LogRow.time < end)
        if entries is not None:
            query = query.where(PictureRow.entry.in_(entries))
        if after is not None:
            query = query.where(_comes_after(after))
        query = query.order_by(*_IN_ORDER)
        with self.session(writes=False) as session:
            return [_picture(row) for row in session.execute(query.limit(limit))]

    def first_and_last_pictures(
        self, tank: str, start: datetime, end: datetime
    ) -> tuple[Picture, ...]:
        """The first and the last picture of a span (start <= time <= end); one where there is one.

        The last one before the span is its first, where there is one: it shows how things were.
        """
        within = self.pictures(tank, start=start, end=end + timedelta(microseconds=1))
        before = self.pictures(tank, end=start, limit=1)
        found = [*within, *before]
        return (found[-1], found[0]) if len(found) > 1 else tuple(found)

    def pictures_of(self, tank: str, entries: Collection[str]) -> dict[str, list[Picture]]:
        """The pictures of some entries of a tank, by entry; an entry without any is left out."""
        found: dict[str, list[Picture]] = {}
        for one in self.pictures(tank, entries=entries) if entries else ():
            found.setdefault(one.entry, []).append(one)
        return found

    def picture(self, tank: str, id: str) -> Picture:
        """One picture of a tank.

        Raises:
            NotFoundError: there is none of this id.
        """
        query = _PICTURES.where(PictureRow.id == id, PictureRow.tank == tank)
        with self.session(writes=False) as session:
            row = session.execute(query).first()
        if row is None:
            raise _no_picture(id)
        return _picture(row)

    def picture_sources(self, entry: str) -> frozenset[str]:
        """SHA-256 of what was sent of the pictures of an entry; none where there is no entry."""
        with self.session(writes=False) as session:
            return _sources(session, entry)

    def delete_picture(self, tank: str, id: str) -> None:
        """Delete a picture of a tank; its files are to be removed after it.

        Raises:
            NotFoundError: there is none of this id.
        """
        query = (
            update(PictureRow)
            .where(PictureRow.id == id, PictureRow.tank == tank, PictureRow.entry.is_not(None))
            .values(entry=None)
        )
        write = AuditedWrite(Action.PICTURE_DELETED, f"tanks/{tank}/pictures/{id}")
        with self.session(writes=write) as session:
            if session.scalar(query.returning(PictureRow.id)) is None:
                raise _no_picture(id)

    def deleted_pictures(self) -> list[str]:
        """Ids of pictures that were deleted and whose files may still be there."""
        with self.session(writes=False) as session:
            return list(session.scalars(select(PictureRow.id).where(PictureRow.entry.is_(None))))

    def forget_pictures(self, ids: Collection[str]) -> None:
        """Forget deleted pictures whose files are gone."""
        query = delete(PictureRow).where(PictureRow.id.in_(ids), PictureRow.entry.is_(None))
        with self.session(writes="bookkeeping") as session:
            session.execute(query)

    def known_pictures(self, ids: Collection[str]) -> frozenset[str]:
        """Those of some ids that are a picture's, also a deleted one's."""
        with self.session(writes=False) as session:
            return frozenset(session.scalars(select(PictureRow.id).where(PictureRow.id.in_(ids))))


def insert_pictures(session: Session, tank: str, entry: str, sent: SentPictures) -> bool:
    """Give an entry its new pictures, in the transaction that writes it and has locked its tank.

    Returns:
        Whether there were any.

    Raises:
        InvalidInputError: the tank or the entry has too many.
    """
    known = _sources(session, entry)
    new = [one for one in sent.new if one.source_sha256 not in known]
    if not new:
        return False
    if len(known) + len(new) > MOST_OF_AN_ENTRY:
        given = f"{len(known) + len(new)} of one entry"
        raise InvalidInputError.of_field(FIELD, given, f"up to {MOST_OF_AN_ENTRY}")
    taken = func.sum(PictureRow.bytes + PictureRow.thumbnail_bytes)
    before = int(session.scalar(select(taken).where(PictureRow.tank == tank)) or 0)
    wanted = sum(one.bytes for one in new)
    if before + wanted > sent.most_bytes:
        given = f"{wanted / 1e6:.1f} MB beside {before / 1e6:.1f} MB that the tank has"
        allowed = f"up to {sent.most_bytes / 1e6:g} MB a tank (pictures.tank_mb); delete some first"
        raise InvalidInputError.of_field(FIELD, given, allowed)
    session.add_all(_row(one, tank, entry, len(known) + n) for n, one in enumerate(new))
    return True


def require_sent_before(session: Session, entry: str, sent: SentPictures) -> None:
    """Make sure that an entry that is sent again has the pictures that come with it.

    Raises:
        ConflictError: it has not.
    """
    if not set(sent.sources) <= _sources(session, entry):
        raise ConflictError(f"log entry {entry!r} exists already with other pictures")


def _sources(session: Session, entry: str) -> frozenset[str]:
    return frozenset(
        session.scalars(select(PictureRow.source_sha256).where(PictureRow.entry == entry))
    )


def _row(new: NewPicture, tank: str, entry: str, position: int) -> PictureRow:
    return PictureRow(
        id=new.id,
        tank=tank,
        entry=entry,
        position=position,
        width=new.width,
        height=new.height,
        bytes=new.file.bytes,
        sha256=new.file.sha256,
        thumbnail_bytes=new.thumbnail.bytes,
        thumbnail_sha256=new.thumbnail.sha256,
        source_sha256=new.source_sha256,
    )


_COLUMNS: Final[tuple[Any, ...]] = (
    PictureRow.id,
    PictureRow.tank,
    PictureRow.entry,
    LogRow.time,
    LogRow.kind,
    LogRow.note,
    PictureRow.width,
    PictureRow.height,
    PictureRow.bytes,
    PictureRow.sha256,
    PictureRow.thumbnail_bytes,
    PictureRow.thumbnail_sha256,
    LogRow.recorded,
    LogRow.sequence,
    PictureRow.position,
)
_PICTURES: Final[Select[Any]] = select(*_COLUMNS).join(LogRow, LogRow.id == PictureRow.entry)


_IN_ORDER: Final = (*NEWEST_FIRST, PictureRow.position, PictureRow.id)


def _comes_after(place: PicturePlace) -> ColumnElement[bool]:
    """Whether a picture comes after a place in ``_IN_ORDER``."""
    later = PictureRow.position > place.position
    later |= (PictureRow.position == place.position) & (PictureRow.id > place.id)
    later &= LogRow.sequence == place.sequence
    later |= LogRow.sequence < place.sequence
    if place.recorded is None:
        later &= LogRow.recorded.is_(None)
    else:
        later &= LogRow.recorded == place.recorded
        later |= (LogRow.recorded < place.recorded) | LogRow.recorded.is_(None)
    return (LogRow.time < place.time) | ((LogRow.time == place.time) & later)


def _picture(row: Row[Any]) -> Picture:
    return Picture(
        id=row.id,
        tank=row.tank,
        entry=row.entry,
        time=row.time,
        kind=LogKind(row.kind),
        note=row.note,
        width=row.width,
        height=row.height,
        file=StoredFile(row.bytes, row.sha256),
        thumbnail=StoredFile(row.thumbnail_bytes, row.thumbnail_sha256),
        place=PicturePlace(row.time, row.recorded, row.sequence, row.position, row.id),
    )


def _no_picture(id: str) -> NotFoundError:
    return NotFoundError(f"picture is {id!r}; allowed: the id of a picture of this tank")
