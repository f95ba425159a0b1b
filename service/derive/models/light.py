"""Light at one moment and of a local day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from service.derive.models.quality import Quality
from service.store.model import Reading, SeriesKey


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
        unseen_h: hours of the day so far for which there are none.
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
    unseen_h: float
    complete: bool
    on_at: datetime | None = None
    off_at: datetime | None = None
    bright_lux: float | None = None
    flickers: int = 0
    co2_below_share: float | None = None
    co2_known_share: float | None = None
    reason: str = ""
