"""Cache of what was read from the registry, valid while its database is unchanged.

Both databases report in well under a millisecond which state they are in: SQLite whether any other
connection, of this process or another, has committed since it was last asked (``PRAGMA
data_version``); PostgreSQL which transactions a query would see now. So nothing cached is
ever older than the database, whoever has written to it.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Hashable
from typing import Any, Final, TypeVar, cast

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from service.registry.database.errors import database_error

_T = TypeVar("_T")

MOST: Final = 1000
"""Answers that are cached, a tank's log being one; the oldest is dropped first."""


_STATE_OF: Final = {
    "sqlite": "PRAGMA data_version",
    # Two snapshots with the same text see the same rows. The start time is for a server that lost
    # commits and counts its transactions again: another one that has taken over, or a restart.
    "postgresql": "SELECT pg_current_snapshot()::text, pg_postmaster_start_time()::text",
}


class DatabaseState:
    """Tells two states of a database apart, on a connection of its own.

    On SQLite it must be one that nobody else uses: what a connection commits itself leaves its
    number as it is.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._connection: Any = None
        self._opened = 0

    def now(self) -> Hashable:
        """What differs from all that it was before if anything was committed in between.

        Raises:
            RegistryUnavailableError: the database cannot be reached.
            RegistryRefusedError: it is damaged.
        """
        with self._lock:
            if self._connection is not None:
                try:
                    return self._ask()
                except self._faults:
                    self._close()  # it may have been idle for too long, or the server restarted
            try:
                self._open()
                return self._ask()
            except self._faults as error:
                self._close()
                damaged = type(error) is sqlite3.DatabaseError
                raise database_error(error, damaged=damaged) from error

    def close(self) -> None:
        """Release the connection."""
        with self._lock:
            self._close()

    @property
    def _faults(self) -> tuple[type[Exception], ...]:
        return (self._engine.dialect.loaded_dbapi.Error, DBAPIError)

    def _ask(self) -> Hashable:
        found = self._connection.execute(_STATE_OF[self._engine.dialect.name]).fetchone()
        # Another connection may be one to another server: its state is not comparable.
        return (self._opened, *found)

    def _open(self) -> None:
        pooled = self._engine.raw_connection()
        self._connection = pooled.driver_connection
        pooled.detach()
        self._opened += 1
        if self._engine.dialect.name == "postgresql":
            self._connection.autocommit = True

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


class QueryCache:
    """Answers of a registry by the query that gave them. Safe to use from several threads."""

    def __init__(self, engine: Engine, require: Callable[[], None] = lambda: None) -> None:
        """Start empty.

        Args:
            require: raises while the database is lost, for which its state says nothing.
        """
        self._require = require
        self._database = DatabaseState(engine)
        self._lock = threading.Lock()
        self._state: Hashable = None
        self._answers: dict[Hashable, Any] = {}

    def get(self, asked: Hashable, ask: Callable[[], _T]) -> _T:
        """The answer as the database would give it now.

        Args:
            asked: names the question with its parameters.
            ask: asks the database; what it raises is raised and not cached. Whoever gets the
                answer does not change it.

        Raises:
            RegistryUnavailableError, RegistryRefusedError: as the database finds.
        """
        self._require()
        # Before asking: what is committed from here on gives the next caller another state.
        state = self._database.now()
        with self._lock:
            if state != self._state:
                self._state = state
                self._answers.clear()
            elif asked in self._answers:
                return cast(_T, self._answers[asked])
        answer = ask()
        with self._lock:
            if state == self._state:
                if len(self._answers) >= MOST:
                    del self._answers[next(iter(self._answers))]
                self._answers[asked] = answer
        return answer

    def close(self) -> None:
        """Release the connection."""
        self._answers.clear()
        self._database.close()
