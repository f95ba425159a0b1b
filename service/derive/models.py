"""Values derived of a tank: CO2, light, temperature, gas exchange, and the view of them all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from math import log
from statistics import NormalDist
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from service.derive.probe_out import ProbeOut
from service.derive.tolerance import NO_TOLERANCE, Tolerance
from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.registry.species.ranges import SharedRange
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.gas_exchange.fit import GasExchangeFit
from service.science.light.co2 import MAX_GAP_S
from service.science.numeric.estimate import Z95
from service.science.numeric.intervals import bridged_gap_s
from service.science.sensors.electrode_drift import ElectrodeDrift
from service.science.temperature.excursions import Excursion
from service.store.model import Reading, SeriesInfo, SeriesKey

Array = npt.NDArray[np.float64]

NO_READINGS: Final[Mapping[str, Reading]] = MappingProxyType({})


class Quality(StrEnum):
    """How far a derived value can be trusted."""

    GOOD = "good"
    SUSPECT = "suspect"
    STALE = "stale"


class Co2State(StrEnum):
    """Where CO2 lies against its target."""

    BELOW = "below"
    WITHIN = "within"
    ABOVE = "above"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class EstimatedValue:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


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


@dataclass(frozen=True, slots=True)
class Co2Series:
    """CO2 over time, mg/L, arrays of one length; NaN where unknown."""

    time_us: npt.NDArray[np.int64]
    value: Array
    low: Array
    high: Array

    @property
    def gap_s(self) -> float:
        """A longer step between known values is not seen."""
        return bridged_gap_s(self.time_us[~np.isnan(self.value)] / 1e6, MAX_GAP_S)


@dataclass(frozen=True, slots=True)
class Co2Lit:
    """How CO2 met the plants' target over the lit time of a stretch, mostly the last 24 h.

    Attributes:
        lit_min: minutes of light; known_min: those of them for which CO2 is known.
        below_min, within_min, above_min: minutes by where CO2 lay.
        shortfall_mg_l: mean distance below the target while below; 0 if never.
        early_below_min: minutes below between lights-on and the first moment within target; 0
            where target is not reached in that photoperiod.
        tail_below_min: minutes below at the end of the light, after the last moment within.
        surely_below_share: share of the known values whose whole interval lies below.
        last_hour_below_share: share of the values of the latest lit hour that lie below.
        start, end: first and last known value while lit.
        lit_from: ``sensor``, or ``plan`` where no light is measured.
    """

    lit_min: float
    known_min: float
    below_min: float
    within_min: float
    above_min: float
    shortfall_mg_l: float
    early_below_min: float
    tail_below_min: float
    surely_below_share: float
    last_hour_below_share: float
    lowest_mg_l: float
    highest_mg_l: float
    start: datetime
    end: datetime
    lit_from: str = "sensor"


@dataclass(frozen=True, slots=True)
class Co2Day:
    """CO2 of one local day around its light.

    Attributes:
        on_at, off_at: first on and last off of the lamp (planned ones without a light sensor).
        at_on_mg_l: at lights-on; None where not known.
        mean_lit_mg_l, peak_mg_l: of the light, as far as known, and its highest.
        known_share: share of the light for which CO2 is known.
        night_from: when both lamp and, by plan, gas are off.
        dusk_mg_l: at that moment; None where not known.
        reached_min: minutes from lights-on until target is reached; below 0 where CO2 was within
            target before; None if it never was.
        night_low_mg_l: lowest of the dark that follows; None where too little of it is known.
        night_h: hours of that dark that are known.
    """

    day: date
    on_at: datetime
    off_at: datetime
    at_on_mg_l: float | None
    mean_lit_mg_l: float
    peak_mg_l: float
    peak_at: datetime
    reached_min: float | None
    night_from: datetime
    dusk_mg_l: float | None
    night_low_mg_l: float | None
    night_h: float
    known_share: float


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
        narrowing: what would narrow the weighed interval most; None where nothing does by much.
    """

    weighed: EstimatedValue
    methods: tuple[tuple[str, EstimatedValue], ...]
    agree: bool
    by_drop: EstimatedValue | None = None
    sampled: datetime | None = None
    disagreement: int = 0
    reason: str = ""
    why_no_sample: str = ""
    narrowing: Narrowing | None = None


@dataclass(frozen=True, slots=True)
class GasModel:
    """Gas exchange fitted to the tank's own series, and what follows for its target.

    Attributes:
        fit: exchange coefficient and injection with intervals; None where they can't be fitted.
        lead_h: hours of gas from the night's level to the lower end of the target; ``math.inf``
            where it is not reached at the present rate; None without an injection.
        steady_mg_l: level that gas and loss settle at.
        gas_g_per_day: gas dissolved per day, a lower bound of what the cylinder loses.
        fitted: when; from the days before.
        reason: why there is no fit, or what is missing in it.
        notes: sentences on what was found beside: changes, a night that differs from the day, a
            target that is not reached.
    """

    fit: GasExchangeFit | None
    fitted: datetime
    lead_h: EstimatedValue | None = None
    steady_mg_l: EstimatedValue | None = None
    gas_g_per_day: EstimatedValue | None = None
    reason: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Co2High:
    """When CO2 lay above a ceiling in a stretch of time, by day or night.

    Attributes:
        minutes: in all; ongoing_min: those of the spell that is still going on.
        peak_mg_l: highest value, with the lower end of its interval and its time.
        first_at, last_at: begin of the first and end of the last spell; None without one.
        newcomers: the ceiling is lowered because animals are new.
    """

    ceiling_mg_l: float
    minutes: float
    ongoing_min: float
    peak_mg_l: float
    peak_low_mg_l: float
    peak_at: datetime
    first_at: datetime | None
    last_at: datetime | None
    newcomers: bool = False

    def probability_above(self, mg_l: float) -> float:
        """That CO2 was above a limit at its highest: log-normal, by the lower end of 95 %."""
        if self.peak_mg_l <= self.peak_low_mg_l:
            return float(self.peak_mg_l > mg_l)
        sds = Z95 / log(self.peak_mg_l / max(self.peak_low_mg_l, 1e-9))
        return NormalDist().cdf(sds * log(self.peak_mg_l / mg_l))


@dataclass(frozen=True, slots=True)
class GasStart:
    """CO2 since it should have been switched on today.

    Attributes:
        on_at: when it should have been, UTC.
        now_mg_l: CO2 in the last minutes.
        rise_mg_l: how much it rose since then.
        usual_mg_l: how much it rose in the same time on the days before, their median.
        days: how many days those are.
    """

    on_at: datetime
    now_mg_l: float
    rise_mg_l: float
    usual_mg_l: float
    days: int


@dataclass(frozen=True, slots=True)
class StuckSensor:
    """A light sensor that is stuck at its upper end: its highest value, since when."""

    key: SeriesKey
    value: float
    since: datetime


@dataclass(frozen=True, slots=True)
class LightNow:
    """Light at one moment.

    Attributes:
        reading: newest usable one of the sensor that counts, lux or PPFD.
        lit: whether the tank counts as lit; None where that is not known.
        unchanged_since: since when it has been as it is, UTC; None where unknown.
        stuck: the sensor, where it is stuck at its upper end.
    """

    reading: Reading | None
    lit: bool | None
    unchanged_since: datetime | None
    quality: Quality
    reasons: tuple[str, ...] = ()
    stuck: StuckSensor | None = None


@dataclass(frozen=True, slots=True)
class LightDay:
    """The light of one local day.

    Attributes:
        day: local date.
        lit: lit intervals, UTC.
        photoperiod_h: hours of light that were seen so far; None where nothing of the day was.
        photoperiod_low_h, photoperiod_high_h: between which it lies: what was not seen may have
            been lit, and each edge is uncertain by a step between readings.
        lux_hours: lx h; None without an illuminance sensor.
        dli_mol_m2_d: light integral of what was seen; None where nothing of the day was.
        dli_high_mol_m2_d: the same had the lamp been on in all that was not seen.
        ppfd_peak_umol_m2_s: highest PPFD of the day.
        ppfd_from: ``sensor`` or the lux factor used.
        degree_hours_lit_k_h: temperature above the base while lit, K h.
        co2_within_share: share of the lit time with CO2 within target, 0 to 1; None if unknown.
        co2_below_share: share of the lit time with CO2 below target; None if unknown.
        co2_known_share: share of the lit time for which CO2 is known.
        reason: why the day was not seen, or not all of it; "" where it was.
        covered_share: share of the day so far for which there are readings.
        complete: the local day is over.
        on_at, off_at: first on and last off; None where unseen or not over.
        bright_lux: median while lit (from PPFD by the lamp's factor where that is measured).
        flickers: dark breaks too short to end the photoperiod.
    """

    day: date
    lit: tuple[tuple[datetime, datetime], ...]
    photoperiod_h: float | None
    photoperiod_low_h: float
    photoperiod_high_h: float
    lux_hours: float | None
    dli_mol_m2_d: float | None
    dli_high_mol_m2_d: float
    ppfd_peak_umol_m2_s: float | None
    ppfd_from: str
    degree_hours_lit_k_h: float | None
    co2_within_share: float | None
    covered_share: float
    complete: bool
    on_at: datetime | None = None
    off_at: datetime | None = None
    bright_lux: float | None = None
    flickers: int = 0
    co2_below_share: float | None = None
    co2_known_share: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Forecast:
    """When temperature will cross a limit if things stay as they are.

    Attributes:
        side: ``above`` or ``below`` the limit.
        at_s, earliest_s, latest_s: unix seconds, median and central 95 %; ``math.inf`` for "not
            within half a day".
        probability: of crossing within half a day.
    """

    side: Literal["above", "below"]
    limit_c: float
    at_s: float
    earliest_s: float
    latest_s: float
    probability: float


@dataclass(frozen=True, slots=True)
class TemperatureNow:
    """Temperature at one moment and against what the animals share.

    Attributes:
        tolerable, comfortable: as of the tank's ``Tolerance``.
    """

    reading: Reading | None
    rate_k_h: float | None
    tolerable: SharedRange
    comfortable: SharedRange
    quality: Quality
    reasons: tuple[str, ...] = ()
    forecast: Forecast | None = None


@dataclass(frozen=True, slots=True)
class TankView:
    """What is known of one tank at ``now``: the input of every rule.

    Attributes:
        now: UTC.
        net_volume_l: None when neither measured nor computable.
        light_days: the last days, oldest first; the last one is today (local).
        co2_series: the last days; time in UTC microseconds.
        excursions: of temperature from what all animals tolerate, of the last days, oldest first.
        discomforts: likewise from where all are comfortable.
        log: the entries of the last months, newest first.
        sensors: what the store holds of each series, as far as they count.
        believed: the series that values are taken from.
        sensors_left_out: how many more series the store holds.
        slips: those whose newest reading is a single impossible one.
        clocks: those of devices that are off by a known constant.
        probes_out: spans in which a probe was out of the tank, or may have been.
        tolerance: what the animals tolerate together.
        light: light at ``now``.
        co2_lit: CO2 over the lit hours of the last 24 h; None where unknown.
        co2_high: CO2 against the animals' ceiling (the plants' without animals), last 24 h.
        co2_uncomfortable: CO2 against what all animals are comfortable with, last 24 h.
        co2_days: CO2 around the light of each day, oldest first.
        gas_start: CO2 since it should have been switched on today; None where not known.
        co2_check: other estimates of CO2 weighed with that by KH; None without CO2.
        gas: the fitted gas exchange; None where it was not fitted.
        ph_drift: of the pH probe since its calibration, by the mornings; None where not known.
        latest: by quantity, the newest usable reading of the sensor that counts.
        daily_minima_c: lowest temperature of each stretch of 24 h up to now, oldest first.
        usual_c: median temperature of the last days; None without readings.
    """

    tank: Tank
    now: datetime
    net_volume_l: float | None
    co2: Co2Now
    co2_series: Co2Series
    light_days: tuple[LightDay, ...]
    temperature: TemperatureNow
    excursions: tuple[Excursion, ...]
    log: tuple[LogEntry, ...]
    sensors: tuple[SeriesInfo, ...]
    tolerance: Tolerance = NO_TOLERANCE
    light: LightNow | None = None
    co2_lit: Co2Lit | None = None
    co2_high: Co2High | None = None
    co2_uncomfortable: Co2High | None = None
    co2_days: tuple[Co2Day, ...] = ()
    gas_start: GasStart | None = None
    co2_check: Co2Check | None = None
    gas: GasModel | None = None
    ph_drift: ElectrodeDrift | None = None
    latest: Mapping[str, Reading] = field(default_factory=lambda: NO_READINGS)
    daily_minima_c: tuple[float, ...] = ()
    usual_c: float | None = None
    discomforts: tuple[Excursion, ...] = ()
    sensors_left_out: int = 0
    slips: frozenset[SeriesKey] = frozenset()
    clocks: tuple[DeviceClock, ...] = ()
    probes_out: tuple[ProbeOut, ...] = ()
    believed: frozenset[SeriesKey] = frozenset()
