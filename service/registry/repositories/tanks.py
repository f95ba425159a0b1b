"""Registry of tanks."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.errors import NoSuchTankError
from service.registry.audit import Action, AuditedWrite, present_actor
from service.registry.checks import check_tank
from service.registry.database.connection import Database
from service.registry.database.row_ids import new_id
from service.registry.database.versions import ANY, Precondition, Stored, delete_row, put_row
from service.registry.documents import from_document, to_document
from service.registry.log.adjustments import adjustments
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.repositories.log.order import next_in_log
from service.registry.tables.log import LogRow
from service.registry.tables.tanks import TankRow
from service.schemas.pointers import json_pointer

#: Rows that are fetched at once of all tanks: of 10,000 they would take megabytes together.
_ROWS: Final = 500


class TankRepository(Database):
    """Tanks: one document each."""

    def tanks(self, *, after: str | None = None, limit: int | None = None) -> list[Tank]:
        """Tanks by id: all, or a page of them, which takes as long wherever it begins.

        Args:
            after: only those whose id comes later.
            limit: at most so many.
        """
        with self.session(writes=False) as session:
            documents = session.scalars(tanks_query(after, limit)).all()
        return [from_document(document, Tank) for document in documents]

    def tanks_of(self, ids: Collection[str]) -> list[Tank]:
        """Those of some tanks that are there, by id; for a few hundred at a time."""
        query = select(TankRow.document).where(TankRow.id.in_(ids)).order_by(TankRow.id)
        with self.session(writes=False) as session:
            documents = session.scalars(query).all()
        return [from_document(document, Tank) for document in documents]

    def tank_ids(self) -> frozenset[str]:
        """The ids of all tanks; cheap, for those who ask often."""
        with self.session(writes=False) as session:
            rows = session.scalars(select(TankRow.id).execution_options(yield_per=_ROWS))
            return frozenset(rows)

    def sensor_choices(self) -> Mapping[str, Mapping[str, str]]:
        """The sensors that people chose to believe, by tank and quantity; cached."""

        def ask() -> dict[str, Mapping[str, str]]:
            with self.session(writes=False) as session:
                query = select(TankRow.id, TankRow.document["sensors"])
                rows = session.execute(query.execution_options(yield_per=_ROWS))
                return {id: sensors for id, sensors in rows if sensors}

        return self.cache.get("sensor-choices", ask)

    def lock_tanks(self, ids: Collection[str], session: Session) -> frozenset[str]:
        """Those of some tanks that are there; none of them is deleted until the transaction ends.

        Args:
            session: a transaction of the caller that is going to write what belongs to them.
        """
        query = select(TankRow.id).where(TankRow.id.in_(ids)).order_by(TankRow.id)
        return frozenset(session.scalars(query.with_for_update(read=True, key_share=True)))

    def tank(self, id: str) -> Tank:
        """One tank.

        Raises:
            NoSuchTankError: there is none of this id.
        """
        return self.stored_tank(id).value

    def stored_tank(self, id: str) -> Stored[Tank]:
        """One tank with its version.

        Raises:
            NoSuchTankError: there is none of this id.
        """

        def ask() -> Stored[Tank]:
            with self.session(writes=False) as session:
                row = session.get(TankRow, id)
            if row is None:
                raise no_tank(id)
            return Stored(from_document(row.document, Tank), row.version)

        return self.cache.get(("tank", id), ask)

    def put_tank(
        self, tank: Tank, *, now: datetime | None = None, only_if: Precondition = ANY
    ) -> Stored[Tank]:
        """Write a tank as a whole, whether it is new or not.

        Args:
            now: when, for the log: what it changes in the tank's plans is logged as adjustments;
                None: it is not.

        Raises:
            InvalidInputError: a field is not allowed.
            PreconditionFailedError: another version is stored, or one at all.
        """
        check_tank(tank)
        values: dict[str, Any] = {"name": tank.name, "document": to_document(tank)}
        write = AuditedWrite(Action.TANK_REPLACED, f"tanks/{tank.id}")
        with self.session(writes=write) as session:
            before = _document(session, tank.id)
            put = put_row(session, self._insert(), TankRow, {"id": tank.id}, values, only_if)
            if put.created:
                write.action = Action.TANK_CREATED
            elif before is not None:
                write.members = _changed(before, values["document"])
                write.happened = put.written
                _log_adjustments(session, from_document(before, Tank), tank, now)
        return Stored(tank, put.version, put.created)

    def change_tank(
        self,
        id: str,
        change: Callable[[Tank], Tank],
        *,
        now: datetime | None = None,
        only_if: Precondition = ANY,
    ) -> Stored[Tank]:
        """Write what a function makes of a tank; nobody else changes it in between.

        Args:
            change: gets the tank as it is stored; quick, since others wait, and without asking
                the registry. What it raises is raised, and nothing is written.
            now: as in ``put_tank``.

        Raises:
            NoSuchTankError: there is none of this id.
            InvalidInputError: a field is not allowed.
            PreconditionFailedError: another version is stored.
        """
        write = AuditedWrite(Action.TANK_CHANGED, f"tanks/{id}")
        with self.session(writes=write) as session:
            document = _document(session, id)
            if document is None:
                raise no_tank(id)
            before = from_document(document, Tank)
            tank = change(before)
            check_tank(tank)
            values: dict[str, Any] = {"name": tank.name, "document": to_document(tank)}
            put = put_row(session, self._insert(), TankRow, {"id": id}, values, only_if)
            write.members = _changed(document, values["document"])
            write.happened = put.written
            _log_adjustments(session, before, tank, now)
        return Stored(tank, put.version)

    def delete_tank(
        self, id: str, *, only_if: Precondition = ANY, session: Session | None = None
    ) -> None:
        """Delete a tank, its log and its recommendations.

        Where programs follow the recommendations, ``Ledger.delete_tank`` tells them.

        Args:
            session: a transaction of the caller that it belongs to, and that says what is done.

        Raises:
            NoSuchTankError: there is none of this id.
            PreconditionFailedError: another version is stored.
        """
        if session is None:
            with self.session(writes=AuditedWrite(Action.TANK_DELETED, f"tanks/{id}")) as own:
                self.delete_tank(id, only_if=only_if, session=own)
            return
        if not delete_row(session, TankRow, {"id": id}, only_if):
            raise no_tank(id)


def tanks_query(after: str | None, limit: int | None) -> Select[tuple[dict[str, Any]]]:
    """The documents of tanks by id, found by the index of the primary key."""
    query = select(TankRow.document).order_by(TankRow.id).limit(limit)
    return query if after is None else query.where(TankRow.id > after)


def require_tank(session: Session, id: str) -> None:
    """Make sure that a tank is there until the transaction ends.

    Raises:
        NoSuchTankError: there is none of this id.
    """
    query = select(TankRow.id).where(TankRow.id == id)
    if session.scalar(query.with_for_update(read=True, key_share=True)) is None:
        raise no_tank(id)


def lock_tank(session: Session, id: str) -> None:
    """Make sure that a tank is there, and let nobody else here or change it, until the end.

    For what is counted before it is written: the transaction that comes next counts it too.

    Raises:
        NoSuchTankError: there is none of this id.
    """
    query = select(TankRow.id).where(TankRow.id == id)
    if session.scalar(query.with_for_update(key_share=True)) is None:
        raise no_tank(id)


def _document(session: Session, id: str) -> dict[str, Any] | None:
    """The document of a tank, which nobody else changes until the transaction ends."""
    query = select(TankRow.document).where(TankRow.id == id)
    return session.scalar(query.with_for_update(key_share=True))


def _log_adjustments(session: Session, before: Tank, after: Tank, now: datetime | None) -> None:
    """Log what was adjusted, under the name of who writes."""
    if now is None:
        return
    by = present_actor().name
    first = next_in_log(session, after.id)
    session.add_all(
        LogRow(
            id=new_id(), tank=after.id, kind=LogKind.ADJUSTMENT.value, time=now, recorded=now,
            data=one.data, note="", by=by, sequence=sequence,
        )
        for sequence, one in enumerate(adjustments(before, after), first)
    )  # fmt: skip


def _changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, ...]:
    """Names of the members that differ, as in the JSON of a tank."""
    from service.registry.fields.tank import TankSchema  # see service.registry.checks

    names = [name for name in {**before, **after} if before.get(name) != after.get(name)]
    pointers = [json_pointer(f"/{name}", TankSchema) for name in names]
    return tuple(sorted({pointer.split("/")[1] for pointer in pointers}))


def no_tank(id: str) -> NoSuchTankError:
    """The error for a tank that is not registered."""
    return NoSuchTankError(f"tank is {id!r}; allowed: the id of a registered tank")
