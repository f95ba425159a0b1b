"""CO2 of whole days: against its target while lit, above a ceiling, and its rise each morning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from math import log
from statistics import NormalDist

from service.science.numeric.estimate import Z95


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
