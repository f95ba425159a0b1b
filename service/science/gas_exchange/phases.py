"""Where in a CO2 series the gas was off (a night's decay) and where it was on (a rise).

Times are unix seconds UTC throughout, and a phase is found from the water, not from a clock
on the wall: a change to summer time moves the gas by an hour and the phases with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.science.numeric.checks import Floats, OutOfRangeError, as_floats
from service.science.numeric.ranks import median, quantile, running_median_of_five

BIN_S: Final = 600.0
"""Samples are reduced to ten-minute medians: a single spike leaves no trace, and an exchange
with a half-life of an hour or more loses nothing."""
MIXING_S: Final = 900.0
"""Skipped after gas goes on or off: mixing of the tank and response of the electrode."""
DUSK_S: Final = 3600.0
"""Skipped of a decay where it is not known when the lamp went off: gas is often cut an hour
before, and plants go on taking up CO2 until then."""
LINGER_S: Final = 5400.0
"""So long before CO2 is seen to leave its level the gas may have gone off already: a still tank
loses a tenth in an hour."""
MAX_GAP_S: Final = 3600.0
"""A longer gap splits a phase: what happened inside it is not known."""
MIN_BINS: Final = 6
"""Shortest usable piece of a phase: one hour."""
MIN_SWING_LN: Final = 0.3
"""Least daily swing of ln CO2 that is taken for gas switched on and off (a factor of 1.35)."""
SWING_SHARE: Final = 0.35
"""Share of the series' swing that counts as a turn: above noise and midday wiggles."""
LEVEL_BINS: Final = 12
"""The level that a phase leaves is the median of the two hours before the turn."""
LEAST_RISE_LN: Final = 0.1
"""What a rise has to gain, and a decay must not."""

Kind = Literal["decay", "rise"]


@dataclass(frozen=True)
class Series:
    """A CO2 series in ten-minute medians: time, s UTC; CO2, mg/L; temperature, °C; lit."""

    time_s: Floats
    co2_mg_l: Floats
    temperature_c: Floats
    lit: NDArray[np.bool_] | None

    @property
    def ln_co2(self) -> Floats:
        return np.asarray(np.log(self.co2_mg_l))


@dataclass(frozen=True)
class Phase:
    """Bins ``first`` to ``last`` (inclusive) of a series that belong to one phase."""

    kind: Kind
    first: int
    last: int

    def __len__(self) -> int:
        return self.last - self.first + 1


def binned(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    temperature_c: ArrayLike,
    lit: ArrayLike | None = None,
) -> Series:
    """Reduce samples, in any order, to medians of ten minutes; missing ones are left out.

    Parameters
    ----------
    time_s: unix seconds UTC, shape (n,).
    co2_mg_l: > 0 or NaN, (n,).
    temperature_c: 0-40 °C, (n,) or one number.
    lit: whether the lamp was on, (n,).

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    times = as_floats("time_s", time_s, unit="s")
    co2 = as_floats("co2_mg_l", co2_mg_l, low=0.0, high=20000.0, unit="mg/L")
    if times.ndim != 1 or co2.shape != times.shape:
        raise OutOfRangeError("co2_mg_l", co2.shape, f"the shape of time_s, {times.shape}")
    celsius = as_floats("temperature_c", temperature_c, low=0.0, high=40.0, unit="°C")
    celsius = np.broadcast_to(celsius, times.shape)
    lamp = None if lit is None else np.broadcast_to(np.asarray(lit, dtype=bool), times.shape)
    good = np.isfinite(times) & np.isfinite(celsius) & (co2 > 0.0)
    if not good.any():
        nothing = np.empty(0)
        return Series(nothing, nothing, nothing, None if lamp is None else np.empty(0, bool))
    rows = np.flatnonzero(good)
    slots = np.floor(times[rows] / BIN_S)
    order = np.argsort(slots, kind="stable")
    rows, slots = rows[order], slots[order]
    starts = np.flatnonzero(np.diff(slots, prepend=-np.inf))
    counts = np.diff(starts, append=slots.size)

    def median(values: Floats) -> Floats:
        ranked = values[np.lexsort((values, slots))]
        return np.asarray(0.5 * (ranked[starts + (counts - 1) // 2] + ranked[starts + counts // 2]))

    share = None if lamp is None else np.add.reduceat(lamp[rows].astype(float), starts) / counts
    return Series(
        time_s=np.add.reduceat(times[rows] - slots * BIN_S, starts) / counts
        + slots[starts] * BIN_S,
        co2_mg_l=median(co2[rows]),
        temperature_c=median(celsius[rows]),
        lit=None if share is None else share > 0.5,
    )


def phases_from_schedule(series: Series, gas_on_s: Sequence[tuple[float, float]]) -> list[Phase]:
    """Decays and rises of a series when it is known from when to when gas flowed.

    Parameters
    ----------
    gas_on_s: pairs (on, off) of unix seconds UTC.

    Raises
    ------
    OutOfRangeError: a pair whose off is not after its on.
    """
    pairs = sorted(gas_on_s)
    for on, off in pairs:
        if not on < off:
            raise OutOfRangeError("gas_on_s", (on, off), "pairs of on and off, off after on")
    settling = _settling_s(series)
    windows: list[tuple[Kind, float, float]] = []
    for index, (on, off) in enumerate(pairs):
        following = pairs[index + 1][0] if index + 1 < len(pairs) else np.inf
        windows.append(("rise", on + MIXING_S, off))
        windows.append(("decay", off + settling, min(following, off + 24 * 3600.0)))
    found = []
    for kind, start, end in windows:
        first = int(np.searchsorted(series.time_s, start))
        last = int(np.searchsorted(series.time_s, end)) - 1
        found.append(Phase(kind, first, last))
    return _usable(series, found)


def phases_from_turns(series: Series) -> list[Phase]:
    """Decays and rises found from the turning points of ln CO2.
    A decay begins where CO2 leaves the day's plateau for good and ends where the rise begins.

    Returns
    -------
    [] where the swing is too small to come from gas switched on and off.
    """
    if series.time_s.size < 2 * MIN_BINS:
        return []
    smooth = running_median_of_five(series.ln_co2)
    ordered = np.sort(smooth)
    swing = quantile(ordered, 0.95) - quantile(ordered, 0.05)
    if swing < MIN_SWING_LN:
        return []
    turns = _turns(smooth.tolist(), SWING_SHARE * swing)
    found = []
    for (here, is_high), (there, _) in pairwise(turns):
        near = max(0.1, 0.08 * swing)
        stretch = smooth[here : there + 1]
        # the level before the turn, not the turn itself, which may be an outlier
        level = median(smooth[max(here - LEVEL_BINS, 0) : here + 1])
        close = stretch >= level - near if is_high else stretch <= level + near
        close[0] = True
        leave = here + int(np.flatnonzero(close)[-1])
        found.append((leave, there, is_high))
    phases = []
    for index, (leave, there, is_high) in enumerate(found):
        start = series.time_s[leave] + (_settling_s(series) if is_high else MIXING_S)
        # a decay lasts until the next rise leaves the floor
        end = series.time_s[there]
        if is_high and index + 1 < len(found):
            end = series.time_s[found[index + 1][0]] - MIXING_S
        elif not is_high and index + 1 < len(found):
            end = series.time_s[found[index + 1][0]] - LINGER_S
        first = int(np.searchsorted(series.time_s, start))
        last = int(np.searchsorted(series.time_s, end, side="right")) - 1
        phases.append(Phase("decay" if is_high else "rise", first, last))
    return [phase for phase in _usable(series, phases) if _moves_its_way(smooth, phase)]


def _moves_its_way(smooth: Floats, phase: Phase) -> bool:
    """Whether a rise does rise; a decay may have reached its floor and be flat."""
    change = float(smooth[phase.last] - smooth[phase.first])
    return change > LEAST_RISE_LN if phase.kind == "rise" else change < LEAST_RISE_LN


def _settling_s(series: Series) -> float:
    return DUSK_S if series.lit is None else MIXING_S


def _usable(series: Series, phases: list[Phase]) -> list[Phase]:
    """Phases cut at gaps, without lit stretches of a decay, and long enough."""
    kept = []
    for phase in phases:
        index = np.arange(phase.first, phase.last + 1)
        if series.lit is not None and phase.kind == "decay":
            index = index[~series.lit[index]]
        if index.size < MIN_BINS:
            continue
        cuts = np.flatnonzero((np.diff(series.time_s[index]) > MAX_GAP_S) | (np.diff(index) > 1))
        pieces = np.split(index, cuts + 1) if cuts.size else [index]
        pieces = [one for one in pieces if one.size >= MIN_BINS]
        if phase.kind == "rise":
            pieces = _telling(series, pieces)
        kept += [Phase(phase.kind, int(one[0]), int(one[-1])) for one in pieces]
    return kept


def _telling(series: Series, pieces: list[NDArray[np.int64]]) -> list[NDArray[np.int64]]:
    """The pieces of a rise that tell the injection: those with an hour of dark, else the first."""
    dark = series.lit is not None and [
        one for one in pieces if np.count_nonzero(~series.lit[one]) >= MIN_BINS
    ]
    return dark or pieces[:1]


def _turns(values: list[float], threshold: float) -> list[tuple[int, bool]]:
    """Alternating (index, is_high) extremes; a turn needs a move back by ``threshold``."""
    turns: list[tuple[int, bool]] = []
    lowest = highest = 0
    rising: bool | None = None
    for index, value in enumerate(values):
        if value > values[highest]:
            highest = index
        if value < values[lowest]:
            lowest = index
        if rising is not False and value < values[highest] - threshold:
            turns.append((highest, True))
            rising, lowest = False, index
        elif rising is not True and value > values[lowest] + threshold:
            turns.append((lowest, False))
            rising, highest = True, index
    if rising is not None:
        turns.append((highest, True) if rising else (lowest, False))
    return turns
