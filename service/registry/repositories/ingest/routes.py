"""Registry of routes that people made, beside those of the configuration."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from sqlalchemy import delete, select

from service.config import RouteConfig
from service.errors import ConflictError, NotFoundError
from service.registry.audit import Action, AuditedWrite, present_actor
from service.registry.database.connection import Database
from service.registry.database.row_ids import new_id
from service.registry.database.versions import ANY, update_row
from service.registry.documents import from_document, to_document
from service.registry.fields.route import MOST_ROUTES, RouteSchema
from service.registry.models.ingest import StoredRoute
from service.registry.repositories.tanks import require_tank
from service.registry.tables.ingest import RouteRow
from service.registry.tables.tanks import ListRow
from service.schemas.checks import check

_LIST = "routes"


class RouteRepository(Database):
    """Routes: made and deleted one by one; those of a tank go with it."""

    def routes(self) -> Sequence[StoredRoute]:
        """All routes, in the order in which they were made; cached."""

        def ask() -> list[StoredRoute]:
            with self.session(writes=False) as session:
                return [_route(row) for row in session.scalars(_ORDERED)]

        return self.cache.get("routes", ask)

    def add_route(
        self,
        route: RouteConfig,
        now: datetime,
        *,
        why_refused: Callable[[Sequence[StoredRoute]], str | None],
    ) -> StoredRoute:
        """Add a route.

        Args:
            why_refused: gets those that are there, which nobody changes meanwhile; a sentence where
                the new one does not go with them.

        Raises:
            InvalidInputError: a field is not allowed.
            NotFoundError: no such tank.
            ConflictError: it does not go with the others, or there are too many.
        """
        check(RouteSchema(), route)
        made = StoredRoute(new_id(), route, now, present_actor().name)
        with self.session(writes=AuditedWrite(Action.ROUTE_ADDED, f"routes/{made.id}")) as session:
            # Keeps others out until it is written: two may exclude each other.
            update_row(session, ListRow, {"name": _LIST}, {}, ANY)
            if route.tank is not None:
                require_tank(session, route.tank)
            stored = [_route(row) for row in session.scalars(_ORDERED)]
            if len(stored) >= MOST_ROUTES:
                raise ConflictError(f"there are {len(stored)} routes; allowed: {MOST_ROUTES}")
            if said := why_refused(stored):
                raise ConflictError(said)
            session.add(
                RouteRow(
                    id=made.id,
                    tank=route.tank,
                    document=to_document(route),
                    created=now,
                    by=made.by,
                )
            )
        return made

    def delete_route(self, id: str) -> StoredRoute:
        """Delete a route; returns what it was.

        Raises:
            NotFoundError: there is none of this id.
        """
        with self.session(writes=AuditedWrite(Action.ROUTE_DELETED, f"routes/{id}")) as session:
            row = session.scalars(
                delete(RouteRow).where(RouteRow.id == id).returning(RouteRow)
            ).first()
            if row is None:
                raise NotFoundError(f"route is {id!r:.80}; allowed: the id of a route in the list")
            return _route(row)


_ORDERED = select(RouteRow).order_by(RouteRow.created, RouteRow.id)


def _route(row: RouteRow) -> StoredRoute:
    return StoredRoute(row.id, from_document(row.document, RouteConfig), row.created, row.by)
