"""What every store asks of a reading before it sends it anywhere.

Some servers accept anything and keep half of it silently, so the check comes first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np
import numpy.typing as npt

from service.errors import StoreRefusedError
from service.science.numeric.sets import first_places
from service.store.columns import ReadingColumns
from service.store.model import Reading

#: 2000-01-01 UTC: before that, a sensor's clock is not set (and VictoriaMetrics cannot look back
#: over spans that reach to 1970).
MIN_TIME_US: Final = 946_684_800_000_000
#: The end of 2261: what nanoseconds in 64 bits hold (InfluxDB).
MAX_TIME_US: Final = 9_214_646_400_000_000 - 1
MAX_NAME_LENGTH: Final = 128


def check_readings(readings: Iterable[Reading]) -> None:
    """Refuse a batch that holds a reading which a store cannot keep as it is.

    Raises:
        StoreRefusedError: names the reading, the field, its value and what is allowed.
    """
    if isinstance(readings, ReadingColumns):
        readings = readings[_suspect(readings)]
    isfinite = math.isfinite
    for reading in readings:
        if not isfinite(reading.value):
            raise _refused(reading, "value", reading.value, "a finite number")
        if reading.raw is not None and not isfinite(reading.raw):
            raise _refused(reading, "raw", reading.raw, "a finite number or none")
        if not MIN_TIME_US <= reading.time_us <= MAX_TIME_US:
            raise _refused(reading, "time_us", reading.time_us, "2000 to 2261")
        tank, quantity, sensor = reading.tank, reading.quantity, reading.sensor
        # Once together, else one by one: a cache of names takes 1.5 MB for 10,000 series.
        if not (
            0 < len(tank) <= MAX_NAME_LENGTH
            and 0 < len(quantity) <= MAX_NAME_LENGTH
            and 0 < len(sensor) <= MAX_NAME_LENGTH
            and f"{tank}{quantity}{sensor}".isprintable()
        ):
            _check_names(tank, quantity, sensor)


def _suspect(readings: ReadingColumns) -> npt.NDArray[np.intp]:
    """The places of readings that are to be looked at: one of each series, and those amiss."""
    amiss = ~np.isfinite(readings.value)
    amiss |= (readings.time_us < MIN_TIME_US) | (readings.time_us > MAX_TIME_US)
    if readings.raw is not None:
        amiss |= np.isinf(readings.raw)
    amiss[first_places(readings.series)[1]] = True
    return np.flatnonzero(amiss)


def _check_names(tank: str, quantity: str, sensor: str) -> None:
    for field, name in (("tank", tank), ("quantity", quantity), ("sensor", sensor)):
        if not (0 < len(name) <= MAX_NAME_LENGTH and name.isprintable()):
            raise StoreRefusedError(
                f"{field} is {name[:40]!r}; allowed: 1 to {MAX_NAME_LENGTH} printable characters"
            )


def check_every(every_us: int) -> None:
    """Refuse a bucket length that is not a positive number of microseconds.

    Raises:
        StoreRefusedError: if it is not.
    """
    if every_us <= 0:
        raise StoreRefusedError(f"every_us is {every_us!r}; allowed: above 0")


def _refused(reading: Reading, field: str, value: object, allowed: str) -> StoreRefusedError:
    where = f"{reading.tank}/{reading.quantity}/{reading.sensor}"
    return StoreRefusedError(f"{field} of a reading of {where} is {value!r}; allowed: {allowed}")
