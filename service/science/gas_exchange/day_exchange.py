"""Injection of the days, and whether their exchange differs from that of the nights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.gas_exchange.changes import FitError, GasChange, Hints
from service.science.gas_exchange.controller import held_by_ph
from service.science.gas_exchange.night_exchange import NightExchange
from service.science.gas_exchange.phases import Phase, Series
from service.science.gas_exchange.rise_equations import ChangesWith
from service.science.gas_exchange.rises import fit_rises
from service.science.gas_exchange.rows import Rows, rows_of
from service.science.gas_exchange.segments import Segment, newest_segment
from service.science.numeric.checks import Floats

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


@dataclass(frozen=True)
class DayExchange:
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
        dark: NightExchange,
        *,
        lamp_known: bool,
    ) -> DayExchange:
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
