"""CO2 at one moment and over time: the values, and how independent estimates agree."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cached_property

import numpy as np
import numpy.typing as npt

from service.derive.models.quality import EstimatedValue, Quality
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.light.co2 import MAX_GAP_S
from service.science.numeric.intervals import bridged_gap_s, usual_step_s
from service.science.numeric.weighing import OneEstimate
from service.store.model import Reading


class Co2State(StrEnum):
    """Where CO2 lies against its target."""

    BELOW = "below"
    WITHIN = "within"
    ABOVE = "above"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class KhInForce:
    """The KH in force: its value, where it comes from, and when it was measured.

    Attributes:
        meq_l: as a test reads it, carried through what was done since: what the next test of the
            same kit would show.
        measured: what that means (a count of drops overstates it): middle, limits and scatter.
    """

    meq_l: float
    measured: MeasuredAlkalinity
    tested: datetime | None
    source: str

    @property
    def estimate(self) -> EstimatedValue:
        """The alkalinity itself with its 95 % interval, meq/L."""
        return EstimatedValue(*(float(one) for one in self.measured.interval()))


@dataclass(frozen=True, slots=True)
class Co2Now:
    """Dissolved CO2 at one moment.

    Attributes:
        time: of the older of the readings used; None when there is none.
        co2: estimate, mg/L; None when unknown.
        method: name of the formula.
        ph, temperature: the readings used; temperature may be assumed (then ``reasons`` says so).
        target_low_mg_l, target_high_mg_l: plants' target, its upper end no higher than the
            animals tolerate.
        reasons: sentences: why unknown, suspect or stale.
        rule_of_thumb_mg_l: what the trade's rule gives for the same pH and KH; None when unknown.
    """

    time: datetime | None
    co2: EstimatedValue | None
    method: str
    ph: Reading | None
    kh: KhInForce | None
    temperature: Reading | None
    target_low_mg_l: float
    target_high_mg_l: float
    state: Co2State
    quality: Quality
    reasons: tuple[str, ...] = ()
    rule_of_thumb_mg_l: float | None = None


Array = npt.NDArray[np.float64]


@dataclass(frozen=True)  # without slots, for what is computed once
class Co2Series:
    """CO2 over time, mg/L, arrays of one length; NaN where unknown."""

    time_us: npt.NDArray[np.int64]
    value: Array
    low: Array
    high: Array

    @cached_property
    def gap_s(self) -> float:
        """A longer step between known values is not seen."""
        known = self.time_us[~np.isnan(self.value)] / 1e6
        return bridged_gap_s(usual_step_s(known), MAX_GAP_S)


@dataclass(frozen=True, slots=True)
class Narrowing:
    """What would narrow an interval: the deed, and half widths in percent now and then."""

    what: str
    percent_now: float
    percent_then: float

    @property
    def sentence(self) -> str:
        """As one sentence."""
        return (
            f"{self.what[0].upper()}{self.what[1:]}: the interval goes from "
            f"±{self.percent_now:.0f} to ±{self.percent_then:.0f} %."
        )


@dataclass(frozen=True, slots=True)
class Co2Check:
    """Independent estimates of CO2, weighed into one.

    Attributes:
        weighed: mg/L; where the estimates disagree its interval covers all of them.
        methods: each with its own estimate, that by KH first.
        agree: whether they differ by no more than chance.
        by_drop: estimate from the pH drop against an aerated sample; None without a valid one.
        sampled: when the aerated sample was logged.
        disagreement: 1 where CO2 by KH is too high to be chance, -1 too low, 0 where they agree.
        reason: what a disagreement usually means; "" without one.
        why_no_sample: why a sample in the log no longer counts; "" without one.
        estimates: those of ``methods`` with their errors by source.
        calibrated: share of the calibration's error that is left once it is a fresh one.
    """

    weighed: EstimatedValue
    methods: tuple[tuple[str, EstimatedValue], ...]
    agree: bool
    by_drop: EstimatedValue | None = None
    sampled: datetime | None = None
    disagreement: int = 0
    reason: str = ""
    why_no_sample: str = ""
    estimates: tuple[OneEstimate, ...] = ()
    calibrated: float = 1.0
