"""Registry of the clocks of devices that are off by a known constant."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from sqlalchemy import Select, delete, select

from service.registry.database.connection import Database
from service.registry.models.ingest import DeviceClock
from service.registry.tables.ingest import DeviceClockRow
from service.registry.tables.tanks import TankRow

_IN_ORDER = select(DeviceClockRow).order_by(
    DeviceClockRow.tank, DeviceClockRow.quantity, DeviceClockRow.sensor
)


class DeviceClockRepository(Database):
    """One clock a series; what is right again is not there."""

    def put_device_clocks(
        self, wrong: Collection[DeviceClock], right: Collection[tuple[str, str, str]] = ()
    ) -> None:
        """Write down what became known of clocks.

        Args:
            wrong: clocks that are off; those of tanks that are not registered are left out.
            right: tank, quantity and sensor of clocks that are right again.
        """
        if not wrong and not right:
            return
        with self.session(writes="bookkeeping") as session:
            wanted = sorted({one.tank for one in wrong})
            query = select(TankRow.id).where(TankRow.id.in_(wanted)).order_by(TankRow.id)
            present = set(session.scalars(query.with_for_update(read=True, key_share=True)))
            for tank, quantity, sensor in sorted(
                {*right, *((one.tank, one.quantity, one.sensor) for one in wrong)}
            ):
                session.execute(
                    delete(DeviceClockRow).where(
                        DeviceClockRow.tank == tank,
                        DeviceClockRow.quantity == quantity,
                        DeviceClockRow.sensor == sensor,
                    )
                )
            session.add_all(
                DeviceClockRow(
                    tank=one.tank,
                    quantity=one.quantity,
                    sensor=one.sensor,
                    fast_s=one.fast_s,
                    since=one.since,
                )
                for one in wrong
                if one.tank in present
            )

    def device_clocks(self, tank: str) -> Sequence[DeviceClock]:
        """The clocks of a tank's devices that are off, by quantity and sensor; cached."""
        return self.all_device_clocks().get(tank, ())

    def all_device_clocks(self) -> Mapping[str, Sequence[DeviceClock]]:
        """The clocks that are off, by tank; cached."""
        return self.cache.get("device-clocks", lambda: self._clocks(_IN_ORDER))

    def device_clocks_of(self, tanks: Collection[str]) -> Mapping[str, Sequence[DeviceClock]]:
        """The same of some tanks, as far as any is off; for a few hundred."""
        return self._clocks(_IN_ORDER.where(DeviceClockRow.tank.in_(tanks)))

    def _clocks(self, query: Select[DeviceClockRow]) -> dict[str, list[DeviceClock]]:
        found: dict[str, list[DeviceClock]] = {}
        with self.session(writes=False) as session:
            for row in session.scalars(query):
                clock = DeviceClock(row.tank, row.quantity, row.sensor, row.fast_s, row.since)
                found.setdefault(row.tank, []).append(clock)
        return found
