"""Light: photons from lux, the dose of a day, and when the lamp is lit.

Sources are listed in docs/references.md: Thimijan & Heins 1983 for lux per photon flux,
CIE 15:2018 for white LEDs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.numeric.checks import Floats, as_floats, as_number
from service.science.numeric.intervals import (
    Interval,
    Runs,
    gap_intervals,
    gaps,
    runs_above,
    series,
    steps,
)
from service.science.temperature.excursions import MAX_GAP_S as MAX_TEMPERATURE_GAP_S
from service.science.temperature.excursions import excess_between

UMOL_PER_MOL = 1e6

WHITE_LED_UMOL_PER_LUX = 0.0145
"""µmol/m²/s (400-700 nm) per lux, white LED: mean of the CIE illuminants LED-B1 to LED-B5,
phosphor-converted, 2700-6600 K (CIE 15:2018), which span 0.0140 to 0.0149, all within
5 % of it. LEDs with more red, for plants or for show, lie outside: LED-RGB1 0.0165, the
violet-pumped LED-V1 0.0189. They need a calibration of their own."""

UMOL_PER_LUX: Mapping[str, float] = MappingProxyType(
    {
        "white LED": WHITE_LED_UMOL_PER_LUX,
        "sunlight": 1 / 54,
        "blue sky": 1 / 52,
        "cool-white fluorescent": 1 / 74,
        "metal halide": 1 / 71,
        "high-pressure sodium": 1 / 82,
        "incandescent": 1 / 50,
    }
)
"""µmol/m²/s (400-700 nm) per lux by source: Thimijan & Heins 1983, HortScience 18:818-822,
except white LED. Mixed-colour lamps need a factor of their own: see `calibration.py`."""

MAX_GAP_S = 1800.0
"""Longest step between two light samples that is still bridged by a straight line.
Half an hour: a lamp can have switched unseen in any longer one. Our choice."""

ON_LUX = 500.0
"""Above this the tank counts as lit: the light of a bright office (EN 12464-1 asks 500 lx
at a desk), which room light at a tank rarely reaches. Set it per tank."""

OFF_LUX = 250.0
"""At or below this the light counts as off. Half of `ON_LUX`, our choice."""


@dataclass(frozen=True)
class LightDose:
    """An integral over time with the stretches that could not be counted.

    `total` is in lx·h; `covered_s` the seconds counted;
    `gaps` the stretches left out because no sample fell into them.
    """

    total: float
    covered_s: float
    gaps: tuple[Interval, ...] = ()

    def dli_mol_m2(self, umol_per_lux: float) -> float:
        """Light integral in mol/m² of a total in lx·h, by the lamp's µmol/m²/s per lx."""
        return self.total * umol_per_lux * SECONDS_PER_HOUR / UMOL_PER_MOL


def ppfd_from_lux(lux: ArrayLike, umol_per_lux: ArrayLike = WHITE_LED_UMOL_PER_LUX) -> Floats:
    """Photosynthetic photon flux density from illuminance.

    Parameters
    ----------
    lux: illuminance in lx, any shape, >= 0; NaN passes through.
    umol_per_lux: µmol/m²/s per lx, broadcast: from `UMOL_PER_LUX` or a calibration.

    Returns
    -------
    PPFD in µmol/m²/s, 400-700 nm. Good to about 5 % for white LEDs with the default.

    Raises
    ------
    OutOfRangeError: negative illuminance, or a factor that is not positive.

    Source: Thimijan & Heins 1983, HortScience 18:818-822.
    """
    factor = as_floats("umol_per_lux", umol_per_lux, above=0)
    return np.asarray(as_floats("lux", lux, low=0) * factor)


def dli_from_constant_ppfd(ppfd_umol_m2_s: ArrayLike, hours: ArrayLike) -> Floats:
    """Daily light integral in mol/m²/d of `hours` (0-24) at a constant PPFD in µmol/m²/s.

    DLI = PPFD * 3600 * h / 1e6. OutOfRangeError for a negative PPFD or hours outside 0-24.
    """
    ppfd = as_floats("ppfd_umol_m2_s", ppfd_umol_m2_s, low=0)
    lit = as_floats("hours", hours, low=0, high=24)
    return np.asarray(ppfd * lit * (SECONDS_PER_HOUR / UMOL_PER_MOL))


def lux_hours(time_s: ArrayLike, lux: ArrayLike, max_gap_s: float = MAX_GAP_S) -> LightDose:
    """Integrate illuminance over time, in lx·h.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  lux: illuminance in lx (n,); NaN samples are skipped.
    max_gap_s: a longer step between samples counts nothing and is reported in `gaps`.

    Returns
    -------
    LightDose with `total` in lx·h, by the trapezoidal rule.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, negative illuminance, max_gap_s not positive.
    """
    time, level = series("lux", time_s, lux)
    step = steps(time)
    gap = gaps(step, max_gap_s)
    if level.size and level.min() < 0:
        as_floats("lux", level, low=0)
    step[gap] = 0.0
    total = float(np.dot(step, level[1:]) + np.dot(step, level[:-1])) / 2
    return LightDose(total / SECONDS_PER_HOUR, float(step.sum()), gap_intervals(time, gap))


def lit_intervals(
    time_s: ArrayLike,
    lux: ArrayLike,
    *,
    on_lux: float = ON_LUX,
    off_lux: float = OFF_LUX,
    min_on_s: float = 0.0,
    min_off_s: float = 0.0,
    max_gap_s: float = MAX_GAP_S,
) -> list[Interval]:
    """Find when the light was on, with hysteresis.

    The light comes on where the straight line between samples rises through `on_lux`. It is
    off once a sample is at or below `off_lux`; the moment of off is the last fall through
    `on_lux` before that. So each edge is uncertain by up to one sampling step.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  lux: illuminance (n,); NaN samples are skipped.
    on_lux, off_lux: thresholds, off_lux <= on_lux. Works for PPFD too, with its thresholds.
    min_on_s: shorter lit intervals are dropped (a flash, a torch).
    min_off_s: shorter dark breaks are bridged (flicker, a passing shadow).
    max_gap_s: a longer step between samples ends an interval, with `end_known` False.

    Returns
    -------
    Intervals, oldest first; an edge at the end of the data or at a gap is marked unknown.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, off_lux > on_lux, a negative duration.
    """
    on = as_number("on_lux", on_lux, above=0)
    off = as_number("off_lux", off_lux, low=0, high=on)
    shortest_on = as_number("min_on_s", min_on_s, low=0)
    shortest_off = as_number("min_off_s", min_off_s, low=0)
    time, level = series("lux", time_s, lux)
    runs = runs_above(time, level, gaps(steps(time), max_gap_s), on=on, off=off)
    return joined(runs, shortest_on, shortest_off)


def joined(runs: Runs, min_on_s: float, min_off_s: float) -> list[Interval]:
    """The runs as intervals, short breaks bridged first and short intervals dropped then."""
    if not runs.first.size:
        return []
    # A dark break is bridged only where both its edges were seen.
    seen = runs.end_known[:-1] & runs.start_known[1:]
    apart = ~(seen & (runs.start_s[1:] - runs.end_s[:-1] < min_off_s))
    begin = np.concatenate(([True], apart))
    finish = np.concatenate((apart, [True]))
    edges = zip(
        runs.start_s[begin].tolist(),
        runs.end_s[finish].tolist(),
        runs.start_known[begin].tolist(),
        runs.end_known[finish].tolist(),
        strict=True,
    )
    return [Interval(*edge) for edge in edges if edge[1] - edge[0] >= min_on_s]


def photoperiod_hours(
    lit: Sequence[Interval], start_s: float | None = None, end_s: float | None = None
) -> float:
    """Hours of light in `lit`, counting only what lies between `start_s` and `end_s`.

    Parameters
    ----------
    lit: intervals that do not overlap, from `lit_intervals`.
    start_s, end_s: unix seconds, for example a local midnight and the next; None = no bound.
    """
    low = -np.inf if start_s is None else start_s
    high = np.inf if end_s is None else end_s
    lengths = (min(one.end_s, high) - max(one.start_s, low) for one in lit)
    return sum(length for length in lengths if length > 0) / SECONDS_PER_HOUR


def degree_hours_while_lit(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    days: Sequence[Sequence[Interval]],
    base_c: float,
    max_gap_s: float = MAX_TEMPERATURE_GAP_S,
) -> list[float]:
    """Integrate the temperature above `base_c` over the lit intervals of each day, in K·h.

    Exact for a temperature that runs in straight lines between its samples.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    days: of each the intervals that it was lit, from `lit_intervals`; parts outside the temperature
        series count nothing.
    base_c: base temperature in °C.
    max_gap_s: as in `excursions.degree_hours`.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal.
    """
    spans = [(one.start_s, one.end_s) for lit in days for one in lit]
    found = iter(excess_between(time_s, temperature_c, base_c, spans, max_gap_s).tolist())
    return [float(sum(islice(found, len(lit)))) for lit in days]
