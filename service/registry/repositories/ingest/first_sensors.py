"""Registry of the sensor of each quantity that was there first in a tank."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from sqlalchemy import Select, select

from service.registry.database.connection import Database
from service.registry.tables.ingest import FirstSensorRow
from service.registry.tables.tanks import TankRow

_COLUMNS = select(FirstSensorRow.tank, FirstSensorRow.quantity, FirstSensorRow.sensor)


class FirstSensorRepository(Database):
    """One sensor a tank and quantity, believed unless somebody chooses another.

    Written down because a store forgets what is older than its retention: with it, who was first.
    """

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """Quantity -> the sensor of a tank that was there first; cached."""
        return self.all_first_sensors().get(tank, {})

    def all_first_sensors(self) -> Mapping[str, Mapping[str, str]]:
        """The same by tank; cached."""

        return self.cache.get("first-sensors", lambda: self._found(_COLUMNS))

    def first_sensors_of(self, tanks: Collection[str]) -> Mapping[str, Mapping[str, str]]:
        """The same of some tanks, as far as anything is written down; for a few hundred."""
        return self._found(_COLUMNS.where(FirstSensorRow.tank.in_(tanks)))

    def _found(self, query: Select[str, str, str]) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        with self.session(writes=False) as session:
            for tank, quantity, sensor in session.execute(query):
                found.setdefault(tank, {})[quantity] = sensor
        return found

    def put_first_sensors(self, first: Mapping[str, Mapping[str, str]]) -> None:
        """Write down by tank which sensors were first, all at once; for a few hundred tanks.

        Tanks that are not registered are left out.
        """
        if not any(first.values()):
            return
        upsert = self._insert()(FirstSensorRow)
        with self.session(writes="bookkeeping") as session:
            # in one order everywhere, so that two processes never wait for each other
            query = select(TankRow.id).where(TankRow.id.in_(first)).order_by(TankRow.id)
            there = session.scalars(query.with_for_update(read=True, key_share=True)).all()
            rows = [
                {"tank": tank, "quantity": quantity, "sensor": sensor}
                for tank in there
                for quantity, sensor in sorted(first[tank].items())
            ]
            if rows:
                session.execute(
                    upsert.on_conflict_do_update(
                        index_elements=["tank", "quantity"],
                        set_={"sensor": upsert.excluded.sensor},
                    ),
                    rows,
                )
