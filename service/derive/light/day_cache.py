"""Light of days that are over, derived again only where what it was derived from has changed.

The key of a day is the content of all that its light is derived from: the levels between which the
lamp is on and the longest steps that are bridged, found in the readings of all days, and a hash of
the samples of light, CO2 and temperature of the day and shortly before and after. How bright the
lamp is at most, which a noisy sensor moves with each reading, is no part of it: what hangs on it is
computed each time.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.co2.target import Target
from service.derive.light.days import (
    BESIDE,
    dli_high_mol_m2,
    first_needed,
    known_co2,
    light_days_of,
)
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
        known = self._leading(tank, source, zip(days, keys, strict=False), now)
        start = first + timedelta(days=len(known))
        rest = light_days_of(
            tank, source, start, now, co2=co2, target=target, temperature=temperature
        )
        found = (*known, *rest)
        self._days = {
            one.day: (key, one)
            for one, key in zip(found, keys, strict=False)
            if _is_over(tank, one.day, now)
        }
        return found

    def _leading(
        self,
        tank: Tank,
        source: LightSource,
        days: Iterable[tuple[date, Hashable]],
        now: datetime,
    ) -> list[LightDay]:
        """The first of some days that are known, up to one that changed: others may hang on it."""
        known: list[LightDay] = []
        for day, key in days:
            before, one = self._days.get(day, (None, None))
            if one is None or before != key or not _is_over(tank, day, now):
                break
            high = dli_high_mol_m2(tank, one.dli_mol_m2_d, one.unseen_h, source.bright_lux)
            if high != one.dli_high_mol_m2_d:
                one = replace(one, dli_high_mol_m2_d=high)
            known.append(one)
        return known


def _is_over(tank: Tank, day: date, now: datetime) -> bool:
    """Whether nothing that comes now is of a day; it is not, once a clock was put back."""
    return local_midnight(tank, day + timedelta(days=1)) + AROUND <= now


def _keys(
    tank: Tank,
    source: LightSource,
    days: Sequence[date],
    co2: Co2Series,
    temperature: Samples,
) -> list[Hashable]:
    """For each day, what differs where anything that its light is derived from does."""
    midnights = [local_midnight(tank, day) for day in (*days, days[-1] + timedelta(days=1))]
    starts = [to_us(one - AROUND) for one in midnights[:-1]]
    ends = [to_us(one + AROUND) for one in midnights[1:]]
    # Of what came before the first day no more than its light is derived from: what falls out of
    # the days that are seen must not change it. Light between the levels is judged by the last
    # that was clear.
    since = first_needed(tank, source, midnights[0].timestamp())
    first_us = to_us(midnights[0])
    parts = [_hashes(source.samples.time_us, source.samples.value, since, starts, ends)]
    series = [known_co2(co2), (temperature.time_us, temperature.value)]
    if source.beside is not None:
        series.append((source.beside.time_us, source.beside.value))
    for time_us, value in series:
        before = max(int(time_us.searchsorted(first_us)) - BESIDE, 0)
        parts.append(_hashes(time_us, value, before, starts, ends))
    seldom = source.step_s if source.step_s > SLOWEST_S else 0.0  # below, it tells nothing
    is_warmth_known = len(temperature) > 0
    gaps_s = source.gap_s, source.beside_gap_s, co2.gap_s
    whole = source.quantity, source.levels, *gaps_s, seldom, is_warmth_known
    return [(whole, *of_day) for of_day in zip(*parts, strict=True)]


def _hashes(
    time_us: npt.NDArray[np.int64],
    value: Array,
    first: int,
    starts_us: Sequence[int],
    ends_us: Sequence[int],
) -> list[int]:
    """A number for the samples of each stretch that differs, in all likelihood, where any does.

    Args:
        first: the sample with which the first stretch begins.
    """
    begin, end = (time_us.searchsorted(edges).tolist() for edges in (starts_us, ends_us))
    begin[0] = first
    stretches = (slice(*edges) for edges in zip(begin, end, strict=True))
    return [hash((time_us[here].tobytes(), value[here].tobytes())) for here in stretches]
