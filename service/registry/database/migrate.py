"""Brings the registry's schema to this version, one process at a time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

from service.errors import RegistryRefusedError
from service.registry.database.connection import WRITES, no_registry, translated_errors
from service.registry.database.schema import revision_of
from service.urls import redacted

LOCK_KEY = 0x11770_2A1
"""Key of PostgreSQL's advisory lock; any number, as long as it never changes."""


def migrate(engine: Engine, target: str = "head", *, create: bool = True) -> None:
    """Create the schema or bring it to a revision, all of it or nothing; see ``ensure_current``.

    Args:
        target: a revision; only tests want another than ``head``.
        create: also make the schema in a database that has none.

    Raises:
        NotFoundError: there is no schema, and none is to be made.
        RegistryRefusedError: the schema was written by a newer version.
        RegistryUnavailableError: the database cannot be reached.
    """
    config = _config()
    script = ScriptDirectory.from_config(config)
    with translated_errors(), _locked(engine) as connection:
        if not create and revision_of(connection) is None:
            raise no_registry(f"{redacted(str(engine.url))} is empty")
        _refuse_newer(connection, script)
        config.attributes["connection"] = connection
        command.upgrade(config, target)


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "service.registry:migrations")
    config.set_main_option("path_separator", "os")
    return config


def _refuse_newer(connection: Connection, script: ScriptDirectory) -> None:
    found = revision_of(connection)
    known = [revision.revision for revision in script.walk_revisions()]
    if found is not None and found not in known:
        raise RegistryRefusedError(
            f"the registry's schema is {found!r}, written by a newer version of Littoral; "
            f"this one knows up to {known[0]!r}: update Littoral, or restore an older backup"
        )


@contextmanager
def _locked(engine: Engine) -> Iterator[Connection]:
    """One transaction that no other process can enter at the same time."""
    with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": LOCK_KEY})
        yield connection
