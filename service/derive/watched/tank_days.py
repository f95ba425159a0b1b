"""The local days of a tank in a stretch of time; what is derived of them, as it is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np

from service.derive.co2.daily import LightSpan, co2_days_of
from service.derive.co2.series import co2_series, interpolated
from service.derive.co2.target import Target, target_of
from service.derive.gas_exchange import gas_exchange
from service.derive.inputs import Inputs
from service.derive.light.days import first_day, light_days_of
from service.derive.light.plan import light_spans, planned_lit
from service.derive.light.source import light_source_of
from service.derive.local_time import local_day, local_midnight
from service.derive.models.co2 import Array, Co2Series
from service.derive.models.co2_days import Co2Day
from service.derive.models.light import LightDay
from service.derive.thresholds import derived_limit
from service.times import to_us

LEAST_KNOWN_SHARE: Final = 0.9
"""So much of a day, of its light or of its night, must be known. Our choice."""


class TankDays:
    """The days that ``inputs`` cover, up to the last one that is over."""

    def __init__(self, inputs: Inputs, exchange_of: TankDays | None = None) -> None:
        """Derive nothing yet.

        Args:
            exchange_of: the days whose gas exchange with the air counts for these as well, so that
                the error of its fit makes no difference between the two; None: their own.
        """
        self.inputs = inputs
        self.tank = inputs.tank
        self._exchange_of = exchange_of

    @cached_property
    def days(self) -> tuple[date, ...]:
        """All whole days, oldest first."""
        tank, first = self.tank, first_day(self.inputs)
        count = (local_day(tank, self.inputs.now) - first).days
        return tuple(first + timedelta(days=n) for n in range(count))

    @cached_property
    def target(self) -> Target:
        """The range of CO2 aimed at."""
        return target_of(self.tank, self.inputs.tolerance.co2_comfortable_mg_l)

    @cached_property
    def co2(self) -> Co2Series:
        """CO2 at each pH sample."""
        return co2_series(self.inputs)

    @cached_property
    def light(self) -> Mapping[date, LightDay]:
        """The light of each day; empty where none is measured."""
        found = light_days_of(
            self.tank, light_source_of(self.inputs), first_day(self.inputs), self.inputs.now
        )
        return {one.day: one for one in found}

    @cached_property
    def spans(self) -> Mapping[date, LightSpan]:
        """First on and last off of each day's light, planned where none is measured."""
        lit = planned_lit(self.tank, first_day(self.inputs), self.inputs.now)
        return {one.day: one for one in light_spans(self.tank, tuple(self.light.values()), lit)}

    @cached_property
    def co2_days(self) -> Mapping[date, Co2Day]:
        """CO2 of each day around its light."""
        found = co2_days_of(self.co2, tuple(self.spans.values()), self.target.low_mg_l)
        return {one.day: one for one in found}

    @cached_property
    def k20_per_h(self) -> float | None:
        """Fitted exchange coefficient at 20 °C; None where it can't be fitted."""
        if self._exchange_of is not None:
            return self._exchange_of.k20_per_h
        fit = gas_exchange(self.inputs).fit
        return None if fit is None else float(fit.k20_per_h.value)

    @cached_property
    def temperature_at_co2(self) -> Array:
        """The water's temperature at each value of CO2, °C; the assumed one in gaps."""
        gap_us = int(derived_limit(self.tank, "pair_gap_min") * 60e6)
        celsius, backed = interpolated(self.inputs.series("temperature"), self.co2.time_us, gap_us)
        assumed = derived_limit(self.tank, "assumed_temperature_c")
        return np.clip(np.where(backed, celsius, assumed), 0.0, 40.0)

    def edges(self, day: date) -> tuple[datetime, datetime]:
        """Begin and end of a local day, UTC."""
        return local_midnight(self.tank, day), local_midnight(self.tank, day + timedelta(days=1))

    def known_share(self, quantity: str, day: date, gap_s: float) -> float:
        """Share of a day that lies between samples no further apart than a gap."""
        begin, end = (to_us(one) for one in self.edges(day))
        samples = self.inputs.series(quantity).time_us
        part = slice(*np.searchsorted(samples, (begin, end)).tolist())
        moments = [begin, *samples[part].tolist(), end]
        seen = sum(b - a for a, b in pairwise(moments) if b - a <= gap_s * 1e6)
        return float(seen) / (end - begin)
