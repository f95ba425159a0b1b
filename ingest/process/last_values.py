"""The last value of each of a few sensors, in a tuple: a third of a dictionary's memory."""

from __future__ import annotations

import math
from typing import NamedTuple


class LastValue(NamedTuple):
    """The last value of a sensor, and when it was measured."""

    sensor: str
    time_us: int
    value: float


def with_last(
    known: tuple[LastValue, ...], new: LastValue, most: float = math.inf
) -> tuple[LastValue, ...]:
    """The last values with a new one, in the order in which the sensors were first seen.

    Args:
        most: sensors that there may be; one more is left out.
    """
    sensor = new.sensor
    if len(known) == 1 and known[0].sensor == sensor:
        return (new,)
    if any(one.sensor == sensor for one in known):
        return tuple([new if one.sensor == sensor else one for one in known])
    return (*known, new) if len(known) < most else known
