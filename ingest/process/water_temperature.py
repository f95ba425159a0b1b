"""The tanks' water temperatures, to compensate electrodes."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from service.errors import LittoralError
from service.store import Store

#: A water temperature further away in time than this does not compensate an electrode,
#: microseconds.
LARGEST_AGE_US: Final = 3_600_000_000
#: How long the store is not asked again about a tank that has no temperature in it, s.
RECHECK_S: Final = 60.0
#: Tanks of which it is remembered that they have none.
_TANKS: Final = 10_000

#: Tank and time, microseconds -> time and temperature, °C, of the reading that is nearest.
StoredTemperature = Callable[[str, int], tuple[int, float] | None]


class WaterTemperatures:
    """The last usable temperature of each tank; asks the store for one that did not come here."""

    def __init__(self, stored: StoredTemperature | None = None) -> None:
        """Start without memory.

        Args:
            stored: asks the store; ``LittoralError`` when it cannot. None: there is no store.
        """
        self._stored = stored
        self._latest: dict[str, tuple[int, float]] = {}
        self._asked_s: dict[str, float] = {}

    def add(self, tank: str, time_us: int, celsius: float) -> None:
        """Remember a usable reading."""
        self._latest[tank] = (time_us, celsius)

    def at(self, tank: str, time_us: int) -> float | None:
        """The temperature of a tank at a time, °C; None if there is none within an hour."""
        found = self._latest.get(tank)
        if found is None or abs(time_us - found[0]) > LARGEST_AGE_US:
            found = self._from_store(tank, time_us)
        return None if found is None else found[1]

    def _from_store(self, tank: str, time_us: int) -> tuple[int, float] | None:
        now_s = time.monotonic()
        if self._stored is None or now_s - self._asked_s.get(tank, -RECHECK_S) < RECHECK_S:
            return None
        try:
            found = self._stored(tank, time_us)
        except LittoralError:
            found = None  # away: the electrode is then not compensated, as without a thermometer
        if found is not None:
            self._latest[tank] = found
        else:
            if len(self._asked_s) >= _TANKS:
                self._asked_s.clear()
            self._asked_s[tank] = now_s
        return found


def temperature_in(store: Store) -> StoredTemperature:
    """Reads water temperatures from a store: by the tank's first thermometer that has one."""

    def read(tank: str, time_us: int) -> tuple[int, float] | None:
        for info in store.series(tank):
            if info.key.quantity == "temperature":
                samples = store.read(
                    info.key, time_us - LARGEST_AGE_US, time_us + LARGEST_AGE_US + 1
                )
                if len(samples):
                    nearest = abs(samples.time_us - time_us).argmin()
                    return int(samples.time_us[nearest]), float(samples.value[nearest])
        return None

    return read
