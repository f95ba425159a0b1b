"""Light of days that are over, derived again only where what it was derived from has changed.

The key of a day is the content of all that its light is derived from: the levels between which the
lamp is on, found in the light of all days, and number and checksum of the samples of light, CO2
and temperature in the parts of the day and shortly before and after.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.co2.target import Target
from service.derive.light.days import light_days_of
from service.derive.light.source import LightSource
from service.derive.local_time import local_day, local_midnight
from service.derive.models.co2 import Array, Co2Series
from service.derive.models.light import LightDay
from service.registry.models.tank import Tank
from service.science.numeric.intervals import SLOWEST_S
from service.store.model import Samples
from service.times import to_us

AROUND: Final = timedelta(hours=3)
"""What happens so long before or after a day may change its light: a flash, a dark break that is
bridged, a step between samples. Our choice."""

AROUND_US: Final = 10_800_000_000


class LightDayCache:
    """Days of light of one tank; not for several threads at a time."""

    def __init__(self) -> None:
        """Empty at first."""
        self._days: dict[date, tuple[Hashable, LightDay]] = {}
        self._rest: object = None

    def days(
        self,
        tank: Tank,
        source: LightSource,
        first: date,
        now: datetime,
        *,
        co2: Co2Series,
        target: Target,
        temperature: Samples,
    ) -> tuple[LightDay, ...]:
        """As ``light_days_of``, of the same up to now."""
        if (tank, target) != self._rest:
            self._days, self._rest = {}, (tank, target)
        days = [first + timedelta(days=n) for n in range((local_day(tank, now) - first).days + 1)]
        keys = _keys(tank, source, days, co2, temperature) if source.quantity else []
        known = self._leading(days, keys)
        start = first + timedelta(days=len(known))
        rest = light_days_of(
            tank, source, start, now, co2=co2, target=target, temperature=temperature
        )
        found = (*known, *rest)
        self._days = {
            one.day: (key, one)
            for one, key in zip(found, keys, strict=False)
            if to_us(local_midnight(tank, one.day + timedelta(days=1))) + AROUND_US <= to_us(now)
        }
        return found

    def _leading(self, days: Sequence[date], keys: Sequence[Hashable]) -> list[LightDay]:
        """The first of some days that are known, up to one that changed: others may hang on it."""
        known: list[LightDay] = []
        for day, key in zip(days, keys, strict=False):
            found = self._days.get(day)
            if found is None or found[0] != key:
                break
            known.append(found[1])
        return known


def _keys(
    tank: Tank,
    source: LightSource,
    days: Sequence[date],
    co2: Co2Series,
    temperature: Samples,
) -> list[Hashable]:
    """For each day, what differs where anything that its light is derived from does."""
    midnights = [to_us(local_midnight(tank, day)) for day in days]
    midnights.append(to_us(local_midnight(tank, days[-1] + timedelta(days=1))))
    edges = np.array(midnights)[:, None] + np.array([-AROUND_US, 0, AROUND_US])
    series = [(source.samples.time_us, source.samples.value), (co2.time_us, co2.value)]
    series.append((temperature.time_us, temperature.value))
    if source.illuminance is not None and source.quantity != "illuminance":
        series.append((source.illuminance.time_us, source.illuminance.value))
    parts = [_parts(*one, edges.ravel()) for one in series]
    whole = source.quantity, source.levels, source.gap_s, source.bright_lux, co2.gap_s
    seldom = source.step_s if source.step_s > SLOWEST_S else 0.0  # below, it tells nothing
    return [
        (whole, seldom, *(part[3 * n : 3 * n + 5].tobytes() for part in parts))
        for n in range(len(days))
    ]


def _parts(
    time_us: npt.NDArray[np.int64], value: Array, edges_us: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Number and checksum of the samples between each two neighbouring edges."""
    at = np.searchsorted(time_us, edges_us)
    # Whole numbers that wrap around: exact, whatever comes before.
    sums = np.zeros(len(value) + 1, np.int64)
    np.cumsum(value.view(np.int64) * time_us, out=sums[1:])
    return np.stack((np.diff(at), np.diff(sums[at])), axis=1)
