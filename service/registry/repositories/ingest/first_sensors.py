"""Registry of the sensor of each quantity that was there first in a tank."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy import select

from service.registry.database.connection import Database
from service.registry.tables.ingest import FirstSensorRow
from service.registry.tables.tanks import TankRow


class FirstSensorRepository(Database):
    """One sensor a tank and quantity, believed unless somebody chooses another.

    Written down because a store forgets what is older than its retention: with it, who was first.
    """

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """Quantity -> the sensor of a tank that was there first; cached."""
        return self.all_first_sensors().get(tank, {})

    def all_first_sensors(self) -> Mapping[str, Mapping[str, str]]:
        """The same by tank; cached."""

        def ask() -> dict[str, dict[str, str]]:
            found: dict[str, dict[str, str]] = {}
            with self.session(writes=False) as session:
                for row in session.scalars(select(FirstSensorRow)):
                    found.setdefault(row.tank, {})[row.quantity] = row.sensor
            return found

        return self.cache.get("first-sensors", ask)

    def put_first_sensors(self, tank: str, sensors: Mapping[str, str]) -> None:
        """Write down which sensor was first; nothing where the tank is not registered."""
        if not sensors:
            return
        upsert = self._insert()(FirstSensorRow)
        with self.session(writes="bookkeeping") as session:
            query = select(TankRow.id).where(TankRow.id == tank)
            if session.scalar(query.with_for_update(read=True, key_share=True)) is None:
                return
            session.execute(
                upsert.on_conflict_do_update(
                    index_elements=["tank", "quantity"], set_={"sensor": upsert.excluded.sensor}
                ),
                [
                    {"tank": tank, "quantity": quantity, "sensor": sensor}
                    for quantity, sensor in sorted(sensors.items())
                ],
            )
