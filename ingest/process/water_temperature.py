"""The tanks' water temperatures, to compensate electrodes."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from ingest.process.last_values import LastValues
from service.errors import LittoralError
from service.store import DEFAULT_SENSOR, SeriesKey, Store

_log = logging.getLogger(__name__)
#: A water temperature further away in time than this does not compensate an electrode,
#: microseconds.
LARGEST_AGE_US: Final = 3_600_000_000
#: One further away than this is replaced by a nearer one of the store, microseconds.
_FRESH_US: Final = 600_000_000
#: How long the store is not asked again for the same ten minutes of a tank, s.
_RECHECK_S: Final = 60.0
#: Tanks that are remembered; the one first seen goes first.
_TANKS: Final = 10_000

#: A time, microseconds, and the water temperature then, °C.
Measured = tuple[int, float]
#: Tank and time, microseconds -> the stored temperature that is nearest in time.
StoredTemperature = Callable[[str, int], Measured | None]
#: Tank -> its thermometers in the order of belief; others come after them.
BeliefOrder = Callable[[str], Sequence[str]]


def order_of_belief(choices: Mapping[str, str], first: Mapping[str, str]) -> Sequence[str]:
    """The thermometers of a tank to believe: the chosen one, ``main``, the one that was first.

    Args:
        choices: quantity -> the sensor that somebody chose.
        first: quantity -> the sensor that was there first.
    """
    names = (choices.get("temperature"), DEFAULT_SENSOR, first.get("temperature"))
    return tuple(dict.fromkeys(name for name in names if name))


def main_first(_tank: str) -> Sequence[str]:
    """The order where nobody chose and nobody knows who was first."""
    return (DEFAULT_SENSOR,)


class WaterTemperatures:
    """The last usable temperature of each tank; asks the store for those that did not come here."""

    def __init__(
        self, stored: StoredTemperature | None = None, order: BeliefOrder = main_first
    ) -> None:
        """Start without memory.

        Args:
            stored: asks the store; ``LittoralError`` when it cannot. None: there is no store.
            order: which thermometers to believe first.
        """
        self._stored = stored
        self._order = order
        self._latest: dict[str, LastValues] = {}
        self._from_store: dict[str, Measured | None] = {}
        self._asked: dict[str, tuple[int, float]] = {}

    def add(self, tank: str, time_us: int, celsius: float, sensor: str = DEFAULT_SENSOR) -> None:
        """Remember a usable reading."""
        known = self._latest.get(tank)
        if known is None:
            known = self._latest[tank] = LastValues()
        known.put(sensor, time_us, celsius)

    def at(self, tank: str, time_us: int) -> float | None:
        """The temperature of a tank at a time, °C; None if there is none within an hour."""
        nearest = _nearest(time_us, self._last(tank, time_us), self._from_store.get(tank))
        if self._stored is not None and not _within(_FRESH_US, nearest, time_us):
            self._ask(tank, time_us)
            nearest = _nearest(time_us, nearest, self._from_store.get(tank))
        if nearest is None or not _within(LARGEST_AGE_US, nearest, time_us):
            return None
        return nearest[1]

    def _last(self, tank: str, time_us: int) -> Measured | None:
        """The last of the first thermometer that has one near, else of any."""
        known = {name: (at_us, celsius) for name, at_us, celsius in self._latest.get(tank, ())}
        for name in self._order(tank):
            if _within(LARGEST_AGE_US, known.get(name), time_us):
                return known[name]
        return _nearest(time_us, *known.values())

    def _ask(self, tank: str, time_us: int) -> None:
        assert self._stored is not None
        span, now_s = time_us // _FRESH_US, time.monotonic()
        asked_span, asked_s = self._asked.get(tank, (-1, 0.0))
        if span == asked_span and now_s - asked_s < _RECHECK_S:
            return
        if len(self._asked) >= _TANKS and tank not in self._asked:
            first = next(iter(self._asked))
            del self._asked[first], self._from_store[first]
        self._asked[tank] = (span, now_s)
        try:
            self._from_store[tank] = self._stored(tank, time_us)
        except LittoralError as error:
            _log.info("no water temperature of %s: %s", tank, error.detail)
            self._from_store[tank] = None


def _nearest(time_us: int, *measured: Measured | None) -> Measured | None:
    found = [one for one in measured if one is not None]
    return min(found, key=lambda one: abs(one[0] - time_us)) if found else None


def _within(span_us: int, measured: Measured | None, time_us: int) -> bool:
    return measured is not None and abs(measured[0] - time_us) <= span_us


def thermometers(store: Store, tank: str, order: Sequence[str]) -> Sequence[SeriesKey]:
    """The thermometers of a tank that the store has, in an order of belief."""
    keys = [info.key for info in store.series(tank) if info.key.quantity == "temperature"]
    ranks = {name: rank for rank, name in enumerate(order)}
    return sorted(keys, key=lambda key: ranks.get(key.sensor, len(ranks)))


def temperature_in(store: Store, order: BeliefOrder = main_first) -> StoredTemperature:
    """Reads water temperatures from a store: by the first thermometer that has one."""

    def read(tank: str, time_us: int) -> Measured | None:
        start_us, end_us = time_us - LARGEST_AGE_US, time_us + LARGEST_AGE_US + 1
        for key in thermometers(store, tank, order(tank)):
            samples = store.read(key, start_us, end_us)
            if len(samples):
                nearest = abs(samples.time_us - time_us).argmin()
                return int(samples.time_us[nearest]), float(samples.value[nearest])
        return None

    return read
