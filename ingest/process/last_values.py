"""The last value of each of a few sensors; usually there is one, and it takes little memory."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple


class LastValue(NamedTuple):
    """The last value of a sensor, and when it was measured."""

    sensor: str
    time_us: int
    value: float


class LastValues:
    """The last value of each sensor, in the order in which the sensors were first seen."""

    __slots__ = ("_others", "_sensor", "_time_us", "_value")

    def __init__(self) -> None:
        """Start without values."""
        self._sensor = ""
        self._time_us = 0
        self._value = 0.0
        #: None: there is no other sensor, as in most tanks.
        self._others: dict[str, LastValue] | None = None

    def __len__(self) -> int:
        return bool(self._sensor) + len(self._others or ())

    def __iter__(self) -> Iterator[LastValue]:
        if self._sensor:
            yield LastValue(self._sensor, self._time_us, self._value)
            yield from (self._others or {}).values()

    def put(self, sensor: str, time_us: int, value: float, most: int | None = None) -> None:
        """Replace the last value of a sensor.

        Args:
            most: sensors that there may be; one more is left out.
        """
        if sensor == self._sensor or not self._sensor:
            self._sensor, self._time_us, self._value = sensor, time_us, value
            return
        if self._others is None:
            self._others = {}
        if most is None or sensor in self._others or len(self) < most:
            self._others[sensor] = LastValue(sensor, time_us, value)
