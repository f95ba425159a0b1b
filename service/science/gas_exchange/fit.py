"""Exchange coefficient and injection rate of a tank from its own CO2 series.

    gas off   C(t) = A + (C0 - A) exp(-k t)                        ``nights``
    gas on    dC/dt = J - U l C / (C + K) - k (C - A)               ``rises``

with A = C_eq + a, k = k20 * 1.024^(t - 20); a, the excess over air that fish, plants and soil
uphold; J, the injection; U, the plants' uptake in the light. Each night has its own k and each day
its own J, so that a change shows: where their level changes for good (optimal partitioning,
``numeric.change_points``; entries of the log make a change there likelier) the newest stretch
counts alone. The exchange of the day may differ from that of the night (an air stone at night):
where the days cannot be explained by the nights' exchange they get their own. Gas that a pH
controller switches is refused, and so is a tank whose newest night or day fits nothing before it.

The intervals allow for residuals that hang together within a phase, for nights and days that differ
more than their residuals tell, for few of them, and for the electrode's slope. k does not depend on
the electrode's offset or on the KH; J is in proportion to the CO2 level, so the level's own error
is added to its interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from service.science.gas_exchange.air_water import CO2_PPM_ROOM, co2_air_equilibrium_mg_l
from service.science.gas_exchange.controller import held_by_ph
from service.science.gas_exchange.nights import LEAST_FALL_LN, Nights, fit_nights
from service.science.gas_exchange.phases import (
    Phase,
    Series,
    binned,
    phases_from_schedule,
    phases_from_turns,
)
from service.science.gas_exchange.rises import ChangesWith, fit_rises
from service.science.gas_exchange.rows import Rows, rows_of
from service.science.gas_exchange.segments import Segment, newest_segment
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.estimate import Estimate, from_log_sd

LEVEL_LOG_SD: Final = 0.10
"""Relative standard deviation of the CO2 level itself where the caller knows none: KH to 0.3 dKH of
4 and pH to 0.03."""
SLOPE_SD: Final = 0.015
"""Relative standard deviation of the electrode's slope; it scales ln C and so k. Our choice."""

INJECTION_KNOWN_LOG_SD: Final = 0.7
"""An injection known no better than to a factor of 4 either way is not known."""

DIFFERS_LN: Final = 0.25
"""From this difference of ln k on day and night may have exchanges of their own. Our choice."""
DIFFERS_SD: Final = 3.0
"""And from so many standard deviations on."""
DIFFERS_SD_BEYOND_DOUBT: Final = 2.0
BEYOND_DOUBT: Final = 64.0
"""Days that are explained worse than so by the nights' exchange (8 standard deviations) need fewer:
what remains in doubt is how large the day's own is, and its interval says so."""
MOST_DELTA: Final = 2.2
"""Beyond this the days are not explained at all: an exchange nine times that of the night."""
MOST_SHARED_DELTA: Final = 1.0
"""So far apart two exchanges are not taken for one."""
CLEAR: Final = 16.0
"""Days that are explained worse than so by the nights' exchange (4 standard deviations) call for
one of their own."""
PERHAPS_LN: Final = 0.2
"""From this difference on it is tried whether the lamp, not the gas, brings the day's exchange."""


class FitError(ValueError):
    """The series does not hold what the fit needs; the message says what is missing."""


@dataclass(frozen=True)
class Hints:
    """When the log has something that may have changed the gas, unix seconds.

    ``exchange_s``: what moves water or surface, such as a cleaned filter. ``injection_s``: valve,
    timer, cylinder, calibration of pH.
    """

    exchange_s: tuple[float, ...] = ()
    injection_s: tuple[float, ...] = ()


NO_HINTS: Final = Hints()


@dataclass(frozen=True)
class GasChange:
    """A change for good that was found: of what, since when, from and to (1/h or mg/L/h)."""

    of: Literal["exchange", "injection"]
    since_s: float
    before: float
    after: float


@dataclass(frozen=True)
class GasExchangeFit:
    """What a tank's own series tells of its gas exchange.

    ``k20_per_h`` exchange coefficient at 20 °C with the gas off, 1/h; ``day_k20_per_h`` that of the
    day, None where it does not differ; ``day_begins`` with what it begins, "gas" or "lamp";
    ``injection_mg_l_h`` injection, None where no usable rise was seen; ``night_excess_mg_l`` CO2
    above air equilibrium at a long night's end; ``equilibrium_mg_l`` with air and
    ``temperature_c``, means of the phases; ``log_covariance`` of (ln k20, ln k20 by day, ln
    injection), shape (3, 3), without what is common to the level; ``level_log_sd`` of the level;
    ``scatter_ln`` robust standard deviation of ln CO2; ``nights``, ``rises`` phases used;
    ``source`` "schedule" where the gas times were given, "turns" where they were found; ``changes``
    found, after which the fit begins.
    """

    k20_per_h: Estimate
    injection_mg_l_h: Estimate | None
    night_excess_mg_l: float
    equilibrium_mg_l: float
    temperature_c: float
    log_covariance: Floats
    scatter_ln: float
    nights: int
    rises: int
    source: Literal["schedule", "turns"]
    day_k20_per_h: Estimate | None = None
    day_begins: ChangesWith = "gas"
    level_log_sd: float = LEVEL_LOG_SD
    changes: tuple[GasChange, ...] = ()
    injection_reason: str = ""


def fit_gas_exchange(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    gas_on_s: Sequence[tuple[float, float]] | None = None,
    lit: ArrayLike | None = None,
    hints: Hints = NO_HINTS,
    co2_ppm: float = CO2_PPM_ROOM,
    pressure_atm: float = 1.0,
    level_log_sd: float = LEVEL_LOG_SD,
) -> GasExchangeFit:
    """Fit k and the injection rate to a CO2 series.

    Parameters
    ----------
    time_s: unix seconds UTC, shape (n,), in any order, with gaps or not.
    co2_mg_l: from ``carbonate.co2_mg_l``, (n,), NaN where unknown.
    temperature_c: (n,) or one number, 0-40.
    gas_on_s: (on, off) pairs in unix seconds where the times are known, else they are found from
        the series.
    lit: (n,) whether the lamp was on: lit samples are kept out of decays, and uptake is fitted to
        those of days that have an hour of gas in the dark. Without it the injection is net of
        what plants take up in the first two hours.
    hints: changes in the log; they are believed where the residuals agree.
    co2_ppm: of the room's air.
    level_log_sd: relative standard deviation of the CO2 level, by its KH and its calibration.

    Returns
    -------
    GasExchangeFit with 95 % intervals.

    Raises
    ------
    FitError: no usable night is in the series, gas is switched by pH, or the newest night or day
    fits nothing before it; OutOfRangeError naming a bad parameter.
    """
    level_sd = as_number("level_log_sd", level_log_sd, low=0.0)
    series = binned(time_s, co2_mg_l, temperature_c, lit)
    phases = (
        phases_from_turns(series) if gas_on_s is None else phases_from_schedule(series, gas_on_s)
    )
    air = co2_air_equilibrium_mg_l(series.temperature_c, co2_ppm=co2_ppm, pressure_atm=pressure_atm)
    dark = _Dark.of(series, phases, air, hints)
    day = _Day.of(series, phases, air, hints, dark, lamp_known=lit is not None)
    covariance, ln_k_day, ln_injection = _combined(dark, day)
    injection, why_not = None, day.reason
    if day.segment is not None and not why_not:
        log_sd = float(covariance[2, 2] ** 0.5)
        if log_sd < INJECTION_KNOWN_LOG_SD:
            injection = _estimate(ln_injection, float(np.hypot(log_sd, level_sd)))
        else:
            why_not = "the mornings differ too much to fit the injection rate"
    rows = dark.rows
    return GasExchangeFit(
        k20_per_h=_estimate(dark.segment.mean + day.shift, float(covariance[0, 0] ** 0.5)),
        injection_mg_l_h=injection,
        night_excess_mg_l=dark.nights.excess_mg_l,
        equilibrium_mg_l=float(np.mean(rows.air)),
        temperature_c=float(np.mean(series.temperature_c)),
        log_covariance=covariance,
        scatter_ln=dark.nights.scatter,
        nights=len(rows) - dark.segment.first,
        rises=0 if day.segment is None else day.used,
        source="turns" if gas_on_s is None else "schedule",
        day_k20_per_h=_estimate(ln_k_day, float(covariance[1, 1] ** 0.5)) if day.differs else None,
        day_begins=day.begins,
        level_log_sd=level_sd,
        changes=tuple(one for one in (dark.change, day.change) if one is not None),
        injection_reason=why_not,
    )


@dataclass(frozen=True)
class _Dark:
    """The nights, and their newest stretch."""

    rows: Rows
    nights: Nights
    segment: Segment
    sd: float
    change: GasChange | None

    @classmethod
    def of(cls, series: Series, phases: list[Phase], air: Floats, hints: Hints) -> _Dark:
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


@dataclass(frozen=True)
class _Day:
    """The days: their newest stretch, and whether their exchange differs from the nights'.

    ``shift`` by which the days move the nights' ln k where both are one; ``shift_sd`` what is left
    of its error; ``delta``, ``delta_sd`` from night to day where they differ.
    """

    segment: Segment | None
    used: int
    differs: bool
    begins: ChangesWith
    shift: float
    night_sd: float
    delta: float
    delta_sd: float
    by_delta: float
    change: GasChange | None
    reason: str

    @classmethod
    def of(
        cls,
        series: Series,
        phases: list[Phase],
        air: Floats,
        hints: Hints,
        dark: _Dark,
        *,
        lamp_known: bool,
    ) -> _Day:
        """Fit the days; raise where gas is switched by pH."""
        rises = [
            phase
            for phase in phases
            if phase.kind == "rise"
            and series.time_s[phase.first] >= dark.since_s
            and not _holds_one(series, phase, hints.injection_s)
        ]
        if not rises:
            why = "no morning rise to fit the injection rate to"
            if dark.change is not None:
                why = "no morning rise since the exchange changed: the next one counts"
            return cls(None, 0, False, "gas", 0.0, dark.sd, 0.0, 0.0, 0.0, None, why)
        rows = rows_of(series, rises, air)
        ln_k = np.full(len(rows), dark.segment.mean)
        excess = dark.nights.excess_mg_l
        found = fit_rises(rows, ln_k, excess, lamp_known=lamp_known)
        begins: ChangesWith = "gas"
        if lamp_known and abs(found.delta) >= PERHAPS_LN:
            other = fit_rises(rows, ln_k, excess, changes_with="lamp", lamp_known=True)
            if other.least_loss(found) < found.least_loss(other):
                found, begins = other, "lamp"
        if lamp_known and held_by_ph(rows, found, ln_k, excess):
            raise FitError(
                "CO2 rises and is then held level while it is on: a pH controller seems to "
                "switch it, so its flow can't be fitted"
            )
        apart_sd = float(np.hypot(found.delta_sd, dark.sd))
        distance = found.distance(0.0) if lamp_known else 0.0
        clear = distance > CLEAR
        least = DIFFERS_SD if distance < BEYOND_DOUBT else DIFFERS_SD_BEYOND_DOUBT
        far = abs(found.delta) > least * apart_sd
        differs = clear and far and abs(found.delta) > DIFFERS_LN
        if clear and abs(found.delta) > (MOST_DELTA if differs else MOST_SHARED_DELTA):
            raise FitError(
                "CO2 by day follows no steady CO2 flow that the exchange of the nights allows: CO2 "
                "that is switched several times a day, by pH or by hand, can't be fitted"
            )
        # where one exchange explains both, days and nights each tell of it by their errors
        both = lamp_known and not far and abs(found.delta) < MOST_SHARED_DELTA
        share = dark.sd**2 / apart_sd**2 if both and not differs else 0.0
        shift = share * found.delta
        night_sd = float(np.sqrt(1.0 - share)) * dark.sd
        delta = found.delta if differs else shift
        ln_j, sd = found.injection_at(delta)
        step = 0.1
        by_delta = (found.injection_at(delta + step)[0] - found.injection_at(delta - step)[0]) / (
            2.0 * step
        )
        segment = newest_segment(ln_j, sd, rows.start_s, hints.injection_s)
        change = None
        if segment.before is not None:
            change = GasChange(
                "injection",
                float(rows.start_s[segment.first]),
                float(np.exp(segment.before)),
                float(np.exp(segment.mean)),
            )
        return cls(
            segment,
            len(rows) - segment.first,
            differs,
            begins,
            shift,
            night_sd,
            delta,
            found.delta_sd,
            float(segment.weight @ by_delta[segment.first :]),
            change,
            _why_not(rows, segment, ln_j, hints),
        )


def _why_not(rows: Rows, segment: Segment, ln_j: Floats, hints: Hints) -> str:
    """Why the newest injection is not known; "" where it is."""
    if any(hint > rows.start_s[-1] for hint in hints.injection_s):
        return (
            "the CO2 flow or the pH probe was adjusted since the newest rise of CO2: the next one "
            "counts"
        )
    if segment.odd:
        return (
            f"CO2 rose {'faster' if ln_j[-1] > segment.mean else 'more slowly'} on the newest day "
            f"than before ({np.exp(ln_j[-1]):.1f} mg/L/h, before {np.exp(segment.mean):.1f} "
            "mg/L/h): the next day shows whether the CO2 flow has changed"
        )
    return ""


def _holds_one(series: Series, phase: Phase, hints_s: tuple[float, ...]) -> bool:
    """Whether something was adjusted within a phase: it is then neither before nor after."""
    start, end = series.time_s[phase.first], series.time_s[phase.last]
    return any(start < hint < end for hint in hints_s)


def _combined(dark: _Dark, day: _Day) -> tuple[Floats, float, float]:
    """Covariance of (ln k, ln k by day, ln J), ln k by day, and ln J."""
    night = dark.segment.mean + day.shift
    night_var = day.night_sd**2
    day_var = night_var + (day.delta_sd**2 if day.differs else 0.0)
    covariance = np.array([[night_var, night_var, 0.0], [night_var, day_var, 0.0], [0.0, 0.0, 0.0]])
    if day.segment is None:
        covariance[2, 2] = INJECTION_KNOWN_LOG_SD**2
        return covariance, night, 0.0
    # J follows k by day: with one exchange that of the night, else both
    by_night = day.by_delta
    by_day = day.by_delta
    covariance[0, 2] = covariance[2, 0] = by_night * night_var
    covariance[1, 2] = covariance[2, 1] = by_day * day_var
    covariance[2, 2] = day.segment.sd**2 + by_day**2 * day_var
    return covariance, night + (day.delta if day.differs else 0.0), day.segment.mean


def _estimate(ln_value: float, log_sd: float) -> Estimate:
    return from_log_sd(np.exp(np.float64(ln_value)), np.float64(log_sd))  # type: ignore[arg-type]
