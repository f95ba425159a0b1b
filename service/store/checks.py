"""What every store asks of a reading before it sends it anywhere.

Some servers accept anything and keep half of it silently, so the check comes first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np

from service.errors import StoreRefusedError
from service.store.model import Reading, Samples, SeriesKey

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


def check_samples(key: SeriesKey, samples: Samples) -> None:
    """Refuse readings of one series that a store cannot keep as they are, or in this form.

    Raises:
        StoreRefusedError: names a reading, the field, its value and what is allowed.
    """
    _check_names(key.tank, key.quantity, key.sensor)
    time_us, raw = samples.time_us, samples.raw
    if raw is None or not len(samples):
        raise StoreRefusedError(
            f"readings of {_where(key)} are given without "
            f"{'numbers before calibration' if raw is None else 'any'}; allowed: at least one, "
            "with the numbers before calibration"
        )
    late = np.append(True, time_us[1:] > time_us[:-1])
    for field, column, right, allowed in (
        ("value", samples.value, np.isfinite(samples.value), "a finite number"),
        ("raw", raw, ~np.isinf(raw), "a finite number or none"),
        ("time_us", time_us, (time_us >= MIN_TIME_US) & (time_us <= MAX_TIME_US), "2000 to 2261"),
        ("time_us", time_us, late, "later than that of the reading before"),
    ):
        if not right.all():
            raise _refused(key, field, column[~right][0].item(), allowed)


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


def _where(one: Reading | SeriesKey) -> str:
    return f"{one.tank}/{one.quantity}/{one.sensor}"


def _refused(
    one: Reading | SeriesKey, field: str, value: object, allowed: str
) -> StoreRefusedError:
    return StoreRefusedError(
        f"{field} of a reading of {_where(one)} is {value!r}; allowed: {allowed}"
    )
