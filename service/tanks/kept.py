"""What was read from the registry, kept while its database is as it was then.

SQLite tells whether any other connection, of this process or another one, has committed since it
was last asked (``PRAGMA data_version``), in a few microseconds. So nothing kept is ever older than
the file. PostgreSQL has nothing as cheap: there each question is asked anew.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Hashable
from typing import Any, Final, TypeVar, cast

from sqlalchemy import Engine

from service.errors import LittoralError, RegistryRefusedError, RegistryUnavailableError

_T = TypeVar("_T")

MOST: Final = 1000
"""Answers that are kept, a tank's log being one; the oldest goes first."""


class SqliteState:
    """Tells two states of a SQLite file apart."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._connection: sqlite3.Connection | None = None

    def number(self) -> int:
        """Another number than before if anything was committed since it was last asked.

        Raises:
            RegistryUnavailableError: the file cannot be read now.
            RegistryRefusedError: it is damaged.
        """
        with self._lock:
            try:
                if self._connection is None:
                    self._connection = self._opened()
                (number,) = self._connection.execute("PRAGMA data_version").fetchone()
            except sqlite3.Error as error:
                self._close()
                raise _fault(error) from error
        return int(number)

    def close(self) -> None:
        """Release the connection."""
        with self._lock:
            self._close()

    def _opened(self) -> sqlite3.Connection:
        # One that nobody else uses: what a connection commits itself leaves its number as it is.
        pooled = self._engine.raw_connection()
        connection = cast(sqlite3.Connection, pooled.driver_connection)
        pooled.detach()
        return connection

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def _fault(error: sqlite3.Error) -> LittoralError:
    detail = f"the registry's database says: {error}"
    if type(error) is sqlite3.DatabaseError:  # not a database, or a damaged one
        return RegistryRefusedError(f"{detail}; restore a backup, or name another file")
    return RegistryUnavailableError(detail)


class Kept:
    """Answers of a registry, each by what was asked. Safe to use from several threads."""

    def __init__(self, engine: Engine) -> None:
        self._state = SqliteState(engine) if engine.dialect.name == "sqlite" else None
        self._lock = threading.Lock()
        self._number = -1
        self._answers: dict[Hashable, Any] = {}

    def get(self, asked: Hashable, ask: Callable[[], _T]) -> _T:
        """The answer as the database would give it now.

        Args:
            asked: names the question with its parameters.
            ask: asks the database; what it raises is raised and not kept. Whoever gets the
                answer does not change it.

        Raises:
            RegistryUnavailableError, RegistryRefusedError: as the database finds.
        """
        if self._state is None:
            return ask()
        # Before asking: what is committed from here on gives the next caller another number.
        number = self._state.number()
        with self._lock:
            if number != self._number:
                self._number = number
                self._answers.clear()
            elif asked in self._answers:
                return cast(_T, self._answers[asked])
        answer = ask()
        with self._lock:
            if number == self._number:
                if len(self._answers) >= MOST:
                    del self._answers[next(iter(self._answers))]
                self._answers[asked] = answer
        return answer

    def close(self) -> None:
        """Release what is held of the database."""
        self._answers.clear()
        if self._state is not None:
            self._state.close()
