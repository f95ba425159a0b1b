"""Registry of the status that each process last reported, for the other processes to show."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from sqlalchemy import Engine, select

from service.registry.database.connection import Database
from service.registry.tables.processes import StatusRow

STATUS_EVERY_S: Final = 60.0
STATUS_IN_FILE_EVERY_S: Final = 600.0
"""A file may lie on a memory card: a status each minute of two processes is 50 MB a day."""


class ProcessStatusRepository(Database):
    """Status documents by name, e.g. ``ingest:<client_id>``; each has its own time."""

    def __init__(self, engine: Engine, migrate: Callable[[], None] = lambda: None) -> None:
        """Use a database; see ``Database``."""
        super().__init__(engine, migrate)
        self._of_this_process: dict[str, Mapping[str, Any]] = {}

    @property
    def status_every_s(self) -> float:
        """How often a status is to be written that says nothing new but times and counts."""
        return STATUS_IN_FILE_EVERY_S if self.is_file else STATUS_EVERY_S

    def note_status(self, name: str, document: Mapping[str, Any]) -> None:
        """Give a status of this process to those who ask in it, whatever row is written."""
        self._of_this_process[name] = document

    def put_status(self, name: str, document: Mapping[str, Any]) -> None:
        """Replace the status document of one process."""
        upsert = self._insert()(StatusRow).values(name=name, document=dict(document))
        with self.session(writes="bookkeeping") as session:
            session.execute(
                upsert.on_conflict_do_update(
                    index_elements=["name"], set_={"document": upsert.excluded.document}
                )
            )

    def change_status(
        self, name: str, changed: Callable[[Mapping[str, Any]], Mapping[str, Any]]
    ) -> None:
        """Change a status document that several processes share; no change of another is lost.

        Args:
            changed: the new document by the present one, which is empty at first.
        """
        first = self._insert()(StatusRow).values(name=name, document={})
        query = select(StatusRow).where(StatusRow.name == name).with_for_update()
        with self.session(writes="bookkeeping") as session:
            session.execute(first.on_conflict_do_nothing(index_elements=["name"]))
            row = session.scalars(query).one()
            row.document = dict(changed(row.document))

    def statuses(self) -> dict[str, dict[str, Any]]:
        """The last status document of each process, by name; of this process the latest."""
        with self.session(writes=False) as session:
            rows = session.scalars(select(StatusRow).order_by(StatusRow.name)).all()
        found = {row.name: row.document for row in rows}
        return found | {name: dict(one) for name, one in self._of_this_process.items()}
