"""Registry of what of the log still counts: of one tank, or of many at once."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, Final

from sqlalchemy import ColumnElement, CompoundSelect, Text, and_, cast, func, select, union_all
from sqlalchemy.orm import Session

from service.registry.database.connection import Database
from service.registry.models.log import LogEntry, LogKind
from service.registry.repositories.log.entries import COLUMNS, entry_of
from service.registry.repositories.log.order import NEWEST_FIRST
from service.registry.repositories.tanks import no_tank
from service.registry.tables.log import LogRow
from service.registry.tables.tanks import TankRow


@dataclass(frozen=True, slots=True)
class LogInForce:
    """The entries of a tank that count, newest first.

    Attributes:
        since: what they were asked for: all entries from then on.
        stored: the rows as the database holds them, as text, in no order.
    """

    since: datetime
    stored: frozenset[str]
    entries: tuple[LogEntry, ...]


NONE_KNOWN: Final[Mapping[str, LogInForce]] = MappingProxyType({})


class LogInForceRepository(Database):
    """Entries from some time on, and the newest earlier one of kinds that last."""

    def log_in_force(
        self, tank: str, since: datetime, lasting: Collection[LogKind]
    ) -> tuple[LogEntry, ...]:
        """Entries of a tank from some time on, and the newest earlier one of kinds that last.

        Cached while the registry is unchanged, and with the earlier rest of the UTC day so that
        it is the same question all day.

        Args:
            since: all entries from then on, in the future too.
            lasting: kinds of which an entry counts until there is a newer one.

        Returns:
            Newest first; perhaps more entries before ``since`` than asked for.

        Raises:
            NotFoundError: no such tank.
        """
        first, kinds = _midnight(since), _names(lasting)

        def ask() -> tuple[LogEntry, ...]:
            with self.session(writes=False) as session:
                found = _entries(session, (tank,), first, kinds)[tank]
                if not found and session.get(TankRow, tank) is None:
                    raise no_tank(tank)
            return found

        return self.cache.get(("log", tank, first, kinds), ask)

    def logs_in_force(
        self,
        tanks: Collection[str],
        since: datetime,
        lasting: Collection[LogKind],
        known: Mapping[str, LogInForce] = NONE_KNOWN,
    ) -> dict[str, LogInForce]:
        """The same of some tanks, in one transaction; of those that are registered.

        Args:
            known: what was found before: a tank whose rows are still the same is not read again.
        """
        first, kinds = _midnight(since), _names(lasting)
        with self.session(writes=False) as session:
            present = session.scalars(select(TankRow.id).where(TankRow.id.in_(tanks))).all()
            stored: dict[str, list[str]] = {tank: [] for tank in present}
            row = self._row_as_text()
            for tank, text in session.execute(_in_force(present, first, kinds, (LogRow.tank, row))):
                stored[tank].append(text)
            rows = {tank: frozenset(texts) for tank, texts in stored.items()}
            found = {
                tank: known[tank]
                for tank in present
                if tank in known and (known[tank].since, known[tank].stored) == (first, rows[tank])
            }
            # The rows as text first: what is committed in between differs at the next question.
            read = _entries(session, [one for one in present if one not in found], first, kinds)
        return found | {tank: LogInForce(first, rows[tank], ones) for tank, ones in read.items()}

    def _row_as_text(self) -> ColumnElement[str]:
        """A row as the database holds it: the same text only for the same row."""
        sqlite = self.engine.dialect.name == "sqlite"
        array = func.json_array if sqlite else func.json_build_array
        columns = (*COLUMNS, LogRow.sequence)
        return cast(array(*(cast(column, Text) for column in columns)), Text)


def _midnight(since: datetime) -> datetime:
    return since.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)


def _names(kinds: Collection[LogKind]) -> tuple[str, ...]:
    return tuple(sorted(kind.value for kind in kinds))


def _in_force(
    tanks: Collection[str], first: datetime, kinds: Collection[str], columns: Sequence[Any]
) -> CompoundSelect[Any]:
    """Rows of some tanks since a time, and the newest before it of some kinds."""
    newest = (
        select(LogRow.tank, LogRow.kind, func.max(LogRow.time).label("time"))
        .where(LogRow.tank.in_(tanks), LogRow.kind.in_(kinds), LogRow.time < first)
        .group_by(LogRow.tank, LogRow.kind)
        .subquery()
    )
    same = (newest.c[name] == getattr(LogRow, name) for name in ("tank", "kind", "time"))
    return union_all(
        select(*columns).where(LogRow.tank.in_(tanks), LogRow.time >= first),
        select(*columns).join(newest, and_(*same)),
    )


def _entries(
    session: Session, tanks: Collection[str], first: datetime, kinds: Collection[str]
) -> dict[str, tuple[LogEntry, ...]]:
    """The entries of some tanks, newest first."""
    found: dict[str, list[LogEntry]] = {tank: [] for tank in tanks}
    if tanks:
        ids = _in_force(tanks, first, kinds, (LogRow.id,))
        query = select(*COLUMNS).where(LogRow.id.in_(ids)).order_by(*NEWEST_FIRST)
        for row in session.execute(query):
            found[row.tank].append(entry_of(row))
    return {tank: tuple(ones) for tank, ones in found.items()}
