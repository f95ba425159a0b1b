"""A tank with two weeks of readings, in a store that counts what it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from service.derive.models.tank_view import TankView
from service.store.model import Buckets, Reading, SeriesKey
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.pieces import NOON, days_of

HOUR = timedelta(hours=1)


class Counting(SqliteStore):
    """Counts the buckets that it gave."""

    buckets_read = 0

    def aggregates(  # type: ignore[no-untyped-def]
        self, keys: Sequence[SeriesKey], start_us: int, end_us: int, every_us: int, **wanted
    ) -> list[Buckets]:
        found = super().aggregates(keys, start_us, end_us, every_us, **wanted)
        self.buckets_read += sum(map(len, found))
        return found


def fill(store: SqliteStore) -> None:
    for quantity, one in days_of(NOON + 24 * HOUR, days=14).items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])


def same(one: TankView, other: TankView) -> bool:
    """Equal in all that rules read but what is fitted; arrays compared element by element."""
    one = replace(one, gas=None, ph_drift=None)
    for name in ("time_us", "value", "low", "high"):
        np.testing.assert_array_equal(
            getattr(one.co2_series, name), getattr(other.co2_series, name)
        )
    assert replace(one, co2_series=other.co2_series) == other
    return True


def shifted(
    store: SqliteStore,
    quantity: str,
    start: datetime,
    by: float,
    *,
    until: datetime = NOON + HOUR,
    sensor: str = "s",
) -> list[Reading]:
    """The readings of a stretch, as they would be with an offset."""
    found = store.read(SeriesKey("reed", quantity, "s"), to_us(start), to_us(until))
    pairs = zip(found.time_us.tolist(), found.value.tolist(), strict=True)
    return [Reading("reed", quantity, sensor, at, value + by) for at, value in pairs]
