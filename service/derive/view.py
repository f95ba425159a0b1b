"""Everything that rules, pages and outlets may know of a tank at one moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from service.science.thermal import Excursion
from service.store.reading import Reading, SeriesInfo
from service.tanks.values import LogEntry, Tank

Array = npt.NDArray[np.float64]


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
class Estimate:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Alkalinity:
    """The alkalinity in force: its value, where it comes from, and when it was measured."""

    meq_l: float
    sd_meq_l: float
    tested: datetime | None
    source: str


@dataclass(frozen=True, slots=True)
class Co2Now:
    """Dissolved CO2 at one moment.

    Attributes:
        time: of the older of the readings used; None when there is none.
        co2: estimate, mg/L; None when unknown.
        method: name of the formula.
        ph, temperature: the readings used; temperature may be assumed (then ``reasons`` says so).
        target_low_mg_l, target_high_mg_l: plants' target, its upper end no higher than the
            livestock tolerates.
        reasons: sentences: why unknown, suspect or stale; the trade's rule beside it.
    """

    time: datetime | None
    co2: Estimate | None
    method: str
    ph: Reading | None
    alkalinity: Alkalinity | None
    temperature: Reading | None
    target_low_mg_l: float
    target_high_mg_l: float
    state: Co2State
    quality: Quality
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Co2Series:
    """CO2 over time, mg/L, arrays of one length; NaN where unknown."""

    time_us: npt.NDArray[np.int64]
    value: Array
    low: Array
    high: Array


@dataclass(frozen=True, slots=True)
class LightDay:
    """The light of one local day.

    Attributes:
        day: local date.
        lit: lit intervals, UTC.
        photoperiod_h: hours lit so far.
        lux_hours: lx h; None without an illuminance sensor.
        dli_mol_m2_d: daily light integral; None when neither PPFD nor lux is measured.
        ppfd_peak_umol_m2_s: highest PPFD of the day.
        ppfd_from: ``sensor`` or the lux factor used.
        degree_hours_lit_k_h: temperature above the base while lit, K h.
        co2_within_share: share of the lit time with CO2 within target, 0 to 1; None if unknown.
        covered_share: share of the day so far for which there are readings.
        complete: the local day is over.
    """

    day: date
    lit: tuple[tuple[datetime, datetime], ...]
    photoperiod_h: float
    lux_hours: float | None
    dli_mol_m2_d: float | None
    ppfd_peak_umol_m2_s: float | None
    ppfd_from: str
    degree_hours_lit_k_h: float | None
    co2_within_share: float | None
    covered_share: float
    complete: bool


@dataclass(frozen=True, slots=True)
class TemperatureNow:
    """Temperature at one moment and against what the livestock shares."""

    reading: Reading | None
    rate_k_h: float | None
    low_c: float | None
    high_c: float | None
    low_species: str
    high_species: str
    quality: Quality
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TankView:
    """What is known of one tank at ``now``: the input of every rule.

    Attributes:
        now: UTC.
        net_volume_l: None when neither measured nor computable.
        light_days: the last days, oldest first; the last one is today (local).
        co2_series: the last days; time in UTC microseconds.
        excursions: temperature excursions of the last days, oldest first.
        log: the entries of the last months, newest first.
        sensors: what the store holds of each series.
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
