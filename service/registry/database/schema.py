"""The schema of a registry: its revision, the one that this version writes, and bringing it there.

Alembic is imported only where there is something to bring up to date, since that takes longer
than to import all the rest of the registry.
"""

from __future__ import annotations

import functools
import pkgutil
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text

from service.registry.database.connection import translated_errors
from service.registry.migrations import versions

VERSION_TABLE: Final = "registry_version"
_NUMBER: Final = text(f"SELECT version_num FROM {VERSION_TABLE}")


@functools.cache
def head_revision() -> str:
    """The revision of the schema that this version writes: ``0010`` of ``v0010_moves``."""
    newest = max(module.name for module in pkgutil.iter_modules(versions.__path__))
    return newest.removeprefix("v").partition("_")[0]


def revision_of(connection: Connection) -> str | None:
    """The revision of the schema; None where there is none yet."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    found: str | None = connection.scalar(_NUMBER)
    return found


def ensure_current(engine: Engine, *, create: bool = True) -> None:
    """Bring the schema up to date where it is not.

    Raises:
        NotFoundError: there is no schema, and none is to be made.
        RegistryRefusedError: the schema was written by a newer version.
        RegistryUnavailableError: the database cannot be reached.
    """
    with translated_errors(), engine.connect() as connection:
        current = revision_of(connection) == head_revision()
    if not current:
        from service.registry.database.migrate import migrate

        migrate(engine, create=create)
