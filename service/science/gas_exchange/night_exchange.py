"""Exchange coefficient of the nights with the CO2 off, since it last changed for good."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.gas_exchange.changes import FitError, GasChange, Hints
from service.science.gas_exchange.nights import LEAST_FALL_LN, Nights, fit_nights
from service.science.gas_exchange.phases import Phase, Series
from service.science.gas_exchange.rows import Rows, rows_of
from service.science.gas_exchange.segments import Segment, newest_segment
from service.science.numeric.checks import Floats

SLOPE_SD: Final = 0.015
"""Relative standard deviation of the electrode's slope; it scales ln C and so k. Our choice."""


@dataclass(frozen=True)
class NightExchange:
    """The nights, and their newest stretch."""

    rows: Rows
    nights: Nights
    segment: Segment
    sd: float
    change: GasChange | None

    @classmethod
    def of(cls, series: Series, phases: list[Phase], air: Floats, hints: Hints) -> NightExchange:
        """Fit the nights, and again those of the newest stretch alone where there is another."""
        decays = [phase for phase in phases if phase.kind == "decay"]
        if not decays:
            raise FitError(
                "no night with CO2 off in the series: need an hour or more of CO2 values after "
                "it goes off, over which it falls. CO2 that never stops, or that a pH controller "
                "switches day and night, can't be fitted"
            )
        rows = rows_of(series, decays, air)
        nights = _fitted(rows)
        segment = newest_segment(nights.ln_k, nights.sd, rows.start_s, hints.exchange_s)
        change = None
        if segment.before is not None:
            change = GasChange(
                "exchange",
                float(rows.start_s[segment.first]),
                float(np.exp(segment.before)),
                float(np.exp(segment.mean)),
            )
            # the excess at night changes with the exchange: from the newest nights alone
            newest = _fitted(rows.part(np.arange(len(rows)) >= segment.first))
            ln_k = np.concatenate([nights.ln_k[: segment.first], newest.ln_k])
            nights = Nights(
                ln_k,
                np.concatenate([nights.sd[: segment.first], newest.sd]),
                np.concatenate([nights.by_excess[: segment.first], newest.by_excess]),
                newest.excess_mg_l,
                newest.excess_sd,
                newest.scatter,
            )
            alone = newest_segment(newest.ln_k, newest.sd, rows.start_s[segment.first :])
            segment = Segment(
                segment.first + alone.first,
                alone.mean,
                alone.sd,
                alone.weight,
                segment.before,
                alone.odd,
            )
        if segment.odd:
            raise FitError(
                f"CO2 fell {'faster' if nights.ln_k[-1] > segment.mean else 'more slowly'} in the "
                f"newest night than in those before ({np.exp(nights.ln_k[-1]):.2f}/h, before "
                f"{np.exp(segment.mean):.2f}/h): the next night shows whether the exchange has "
                "changed"
            )
        by_excess = float(segment.weight @ nights.by_excess[segment.first :])
        sd = float(np.hypot(segment.sd, by_excess * nights.excess_sd))
        return cls(rows, nights, segment, float(np.hypot(sd, SLOPE_SD)), change)

    @property
    def since_s(self) -> float:
        """Since when the exchange is what it is, as far as is known; minus infinity if always."""
        return -np.inf if self.change is None else self.change.since_s


def _fitted(rows: Rows) -> Nights:
    nights = fit_nights(rows)
    if nights is None:
        raise FitError(
            f"no night over which CO2 falls by more than a factor of {np.exp(LEAST_FALL_LN):.2f}"
        )
    return nights
