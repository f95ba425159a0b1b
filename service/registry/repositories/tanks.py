"""Registry of tanks."""

from __future__ import annotations

from sqlalchemy import select

from service.errors import ConflictError, NoSuchTankError
from service.registry.checks import check_tank
from service.registry.connection import Database
from service.registry.documents import from_document, to_document
from service.registry.models import Tank
from service.registry.tables import TankRow


class TankRepository(Database):
    """Tanks: one document each."""

    def tanks(self) -> list[Tank]:
        """All tanks, by id."""
        with self.session(writes=False) as session:
            documents = session.scalars(select(TankRow.document).order_by(TankRow.id)).all()
        return [from_document(document, Tank) for document in documents]

    def tank_ids(self) -> frozenset[str]:
        """The ids of all tanks; cheap, for those who ask often."""
        with self.session(writes=False) as session:
            return frozenset(session.scalars(select(TankRow.id)))

    def tank(self, id: str) -> Tank:
        """One tank.

        Raises:
            NoSuchTankError: there is none of this id.
        """

        def ask() -> Tank:
            with self.session(writes=False) as session:
                row = session.get(TankRow, id)
            if row is None:
                raise no_tank(id)
            return from_document(row.document, Tank)

        return self.cache.get(("tank", id), ask)

    def put_tank(self, tank: Tank, *, replaces: Tank | None = None) -> bool:
        """Write a tank as a whole; True if it is new.

        Args:
            replaces: the tank as the caller read it; None: whatever is there.

        Raises:
            InvalidInputError: a field is not allowed.
            ConflictError: somebody else changed the tank since ``replaces`` was read.
        """
        check_tank(tank)
        document = to_document(tank)
        with self.session() as session:
            row = session.get(TankRow, tank.id, with_for_update=True)
            if replaces is not None and (row is None or _differs(row, replaces)):
                raise ConflictError(
                    f"tank {tank.id!r} has been changed since it was read: read it again"
                )
            if row is None:
                session.add(TankRow(id=tank.id, name=tank.name, document=document))
                return True
            row.name, row.document = tank.name, document
            return False

    def delete_tank(self, id: str) -> None:
        """Delete a tank, its log and its recommendations; its readings are the store's.

        Raises:
            NoSuchTankError: there is none of this id.
        """
        if not self.delete_row(TankRow, id):
            raise no_tank(id)


def no_tank(id: str) -> NoSuchTankError:
    """The error for a tank that is not registered."""
    return NoSuchTankError(f"tank is {id!r}; allowed: the id of a registered tank")


def _differs(row: TankRow, tank: Tank) -> bool:
    return from_document(row.document, Tank) != tank
