"""Registry of the tank keeper's absences."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import delete, select

from service.registry.checks import check_absences
from service.registry.connection import Database
from service.registry.models import Absence
from service.registry.tables import AbsenceRow


class AbsenceRepository(Database):
    """Absences: one list, read and written as a whole."""

    def absences(self) -> list[Absence]:
        """All absences, earliest first."""
        with self.session(writes=False) as session:
            rows = session.scalars(
                select(AbsenceRow).order_by(AbsenceRow.start, AbsenceRow.id)
            ).all()
        return [
            Absence(
                id=row.id,
                start=row.start,
                end=row.end,
                covers=row.covers,
                tanks=tuple(row.tanks),
                note=row.note,
            )
            for row in rows
        ]

    def put_absences(self, absences: Sequence[Absence]) -> None:
        """Replace the list.

        Raises:
            InvalidInputError: a field is not allowed, or two absences have the same id.
        """
        check_absences(absences)
        with self.session() as session:
            session.execute(delete(AbsenceRow))
            session.add_all(
                AbsenceRow(
                    id=absence.id,
                    start=absence.start,
                    end=absence.end,
                    covers=absence.covers,
                    tanks=list(absence.tanks),
                    note=absence.note,
                )
                for absence in absences
            )
