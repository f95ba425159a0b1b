"""How much CO2 rose since the CO2 should have been switched on today, and on the days before."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from statistics import median

import numpy as np
import numpy.typing as npt

from service.derive.local_time import local_day, local_moment
from service.derive.models.co2 import Array, Co2Series
from service.derive.models.co2_days import GasStart
from service.registry.models.tank import Tank
from service.times import from_us, to_us

LONGEST = timedelta(hours=4)
"""Later in the day CO2 has settled, and the light of the day is judged. Our choice."""
MEAN_US = 10 * 60 * 1_000_000
"""Levels are means over so long, since a single reading of pH is noisy. Our choice."""
LEAST_DAYS = 2

Times = npt.NDArray[np.int64]


def gas_start_of(tank: Tank, series: Co2Series, now: datetime) -> GasStart | None:
    """The rise of CO2 since the CO2 should have been switched on today, and the usual rise by then.

    Args:
        series: CO2 of the last days, mg/L, sorted by time.

    Returns:
        None where the plan does not switch the CO2, where the time of it is less than
        ``MEAN_US`` or more than ``LONGEST`` ago, or where too little of CO2 is known.
    """
    plan, today = tank.gas.start, local_day(tank, now)
    if plan is None or not tank.co2_injected:
        return None

    def switched_on(day: date) -> datetime:
        return local_moment(tank, day, plan)

    elapsed_us = to_us(now) - to_us(switched_on(today))
    if not MEAN_US < elapsed_us <= LONGEST // timedelta(microseconds=1):
        return None
    known = ~np.isnan(series.value)
    time_us, value = series.time_us[known], series.value[known]
    if not len(time_us):
        return None
    days = (today - local_day(tank, from_us(int(time_us[0])))).days
    starts = [
        _levels(time_us, value, to_us(switched_on(today - timedelta(days=back))), elapsed_us)
        for back in range(days + 1)
    ]
    usual = [one[1] - one[0] for one in starts[1:] if one is not None]
    if starts[0] is None or len(usual) < LEAST_DAYS:
        return None
    then, level = starts[0]
    return GasStart(switched_on(today), level, level - then, median(usual), len(usual))


def _levels(
    time_us: Times, value: Array, on_us: int, elapsed_us: int
) -> tuple[float, float] | None:
    """The mean around switching on and the mean at the end; None where one is not known."""
    before = _mean(time_us, value, on_us - MEAN_US, on_us + MEAN_US // 2)
    after = _mean(time_us, value, on_us + elapsed_us - MEAN_US, on_us + elapsed_us)
    return None if before is None or after is None else (before, after)


def _mean(time_us: Times, value: Array, first_us: int, last_us: int) -> float | None:
    first, end = np.searchsorted(time_us, (first_us, last_us + 1))
    return float(value[first:end].mean()) if end > first else None
