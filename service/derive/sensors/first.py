"""Which sensor of each quantity was there first in a tank."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from service.registry.models.tank import Tank
from service.store.interface import ReadableStore
from service.store.model import DEFAULT_SENSOR, SeriesInfo, SeriesKey


class FirstSensors(Protocol):
    """What of the registry is needed."""

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """Quantity -> the sensor that was there first, as far as it is written down."""
        ...


def first_sensors(
    tank: Tank, registry: FirstSensors, store: ReadableStore, infos: Sequence[SeriesInfo]
) -> Mapping[str, str]:
    """Quantity -> the sensor that was there first: as written down, else by the readings stored.

    The store is asked only where several sensors of a quantity came before it was written down.
    """
    known = registry.first_sensors(tank.id)
    found: dict[str, str] = {}
    for quantity in sorted({info.key.quantity for info in infos}):
        keys = [info.key for info in infos if info.key.quantity == quantity]
        names = {key.sensor for key in keys}
        if known.get(quantity) in names:
            found[quantity] = known[quantity]
        elif len(keys) == 1 or tank.sensors.get(quantity) in names or DEFAULT_SENSOR in names:
            found[quantity] = _likely_first(tank, quantity, keys)
        else:
            found[quantity] = min(keys, key=lambda key: _since_us(store, key)).sensor
    return found


def _likely_first(tank: Tank, quantity: str, keys: Sequence[SeriesKey]) -> str:
    """The only sensor, or the one that counts whoever was first."""
    if len(keys) == 1:
        return keys[0].sensor
    return tank.sensors.get(quantity, DEFAULT_SENSOR)


def _since_us(store: ReadableStore, key: SeriesKey) -> tuple[int, SeriesKey]:
    extent = store.extent(key)
    return (0 if extent is None else extent.first_us), key
