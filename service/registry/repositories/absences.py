"""Registry of the tank keeper's absences."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import delete, select

from service.registry.audit import Action, AuditedWrite
from service.registry.checks import check_absences
from service.registry.database.connection import Database
from service.registry.database.versions import ANY, Precondition, Stored, update_row
from service.registry.models.absence import Absence
from service.registry.tables.tanks import AbsenceRow, ListRow

_LIST = "absences"


class AbsenceRepository(Database):
    """Absences: one list, read and written as a whole."""

    def absences(self) -> list[Absence]:
        """All absences, earliest first."""
        return self.stored_absences().value

    def stored_absences(self) -> Stored[list[Absence]]:
        """All absences, earliest first, with the version of the list."""
        with self.session(writes=False) as session:
            # First: with one that is too old a write fails, with one too new it would overwrite.
            version = session.get_one(ListRow, _LIST).version
            rows = session.scalars(
                select(AbsenceRow).order_by(AbsenceRow.start, AbsenceRow.id)
            ).all()
        absences = [
            Absence(
                id=row.id,
                start=row.start,
                end=row.end,
                covers=row.covers,
                tanks=tuple(row.tanks),
                note=row.note,
                contact=row.contact,
            )
            for row in rows
        ]
        return Stored(absences, version)

    def put_absences(
        self, absences: Sequence[Absence], *, only_if: Precondition = ANY
    ) -> Stored[list[Absence]]:
        """Replace the list.

        Raises:
            InvalidInputError: a field is not allowed, or two absences have the same id.
            PreconditionFailedError: another version of the list is stored.
        """
        check_absences(absences)
        with self.session(writes=AuditedWrite(Action.ABSENCES_REPLACED, _LIST)) as session:
            # Also what keeps others out until the list is written, with or without a condition.
            version = update_row(session, ListRow, {"name": _LIST}, {}, only_if)
            session.execute(delete(AbsenceRow))
            session.add_all(
                AbsenceRow(
                    id=absence.id,
                    start=absence.start,
                    end=absence.end,
                    covers=absence.covers,
                    tanks=list(absence.tanks),
                    note=absence.note,
                    contact=absence.contact,
                )
                for absence in absences
            )
        in_order = sorted(absences, key=lambda one: (one.start, one.id))
        return Stored(in_order, version)
