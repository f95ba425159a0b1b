"""Temperature day by day, and which species suffers most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import ArgumentError, Floats, as_number
from service.science.numeric.intervals import gaps, series, steps
from service.science.temperature.excursions import MAX_GAP_S, Excursion, excursions

MIN_COVER = 0.8
"""Share of a day that samples must cover before its swing is stated. Our choice."""


def daily_swing(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    day_edges_s: ArrayLike,
    *,
    min_cover: float = MIN_COVER,
    max_gap_s: float = MAX_GAP_S,
) -> Floats:
    """Highest less lowest temperature of each day, in K.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    day_edges_s: unix seconds (m + 1,), ascending: local midnights, so that days of 23 or
        25 hours come out right.
    min_cover: share of the day within `max_gap_s` of samples, else NaN.

    Returns
    -------
    (m,) in K; NaN for a day with too little data.

    Raises
    ------
    ValueError: time or edges not ascending, lengths unequal, min_cover outside 0-1.
    """
    share = as_number("min_cover", min_cover, low=0, high=1)
    time, temperature = series("temperature_c", time_s, temperature_c)
    step = steps(time)
    step[gaps(step, max_gap_s)] = 0.0
    edges = np.asarray(day_edges_s, dtype=np.float64)
    if edges.ndim != 1 or edges.size < 2 or not (np.diff(edges) > 0).all():
        raise ArgumentError("day_edges_s", "needs two or more moments in ascending order")
    swing = np.full(edges.size - 1, np.nan)
    if time.size < 2:
        return swing
    covered_upto = np.interp(edges, time, np.concatenate(([0.0], np.cumsum(step))))
    cover = np.diff(covered_upto) / np.diff(edges)
    bound = np.searchsorted(time, edges)
    for day in np.flatnonzero((cover >= share) & (bound[1:] > bound[:-1])):
        part = temperature[bound[day] : bound[day + 1]]
        swing[day] = part.max() - part.min()
    return swing


@dataclass(frozen=True)
class SpeciesHeat:
    """How long and how far temperature lay outside what one species tolerates.

    degree_hours: K·h, both sides together.  furthest_k: largest distance outside, K.
    """

    species: str
    low_c: float
    high_c: float
    excursions: tuple[Excursion, ...]

    @property
    def degree_hours(self) -> float:
        """K·h outside the range, both sides together."""
        return sum(one.degree_hours for one in self.excursions)

    @property
    def outside_s(self) -> float:
        """Seconds outside the range, as far as the data show."""
        return sum(one.length_s for one in self.excursions)

    @property
    def furthest_k(self) -> float:
        """Largest distance outside the range, K; 0 if it never left it."""
        return max((abs(one.peak_c - one.limit_c) for one in self.excursions), default=0.0)


def species_by_heat(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    ranges_c: Mapping[str, tuple[float, float]],
    *,
    hysteresis_c: float = 0.0,
    min_length_s: float = 0.0,
    max_gap_s: float = MAX_GAP_S,
) -> list[SpeciesHeat]:
    """Rank species by the degree-hours spent outside their range, worst first.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    ranges_c: tolerated (low, high) in °C by species.
    hysteresis_c, min_length_s, max_gap_s: as in `thermal.excursions`.

    Returns
    -------
    One SpeciesHeat per species, also for those that were never outside (0 K·h, last).

    Raises
    ------
    ValueError: as `thermal.excursions`.
    """
    found = [
        SpeciesHeat(
            species,
            low,
            high,
            tuple(
                excursions(
                    time_s,
                    temperature_c,
                    low,
                    high,
                    hysteresis_c=hysteresis_c,
                    min_length_s=min_length_s,
                    max_gap_s=max_gap_s,
                )
            ),
        )
        for species, (low, high) in ranges_c.items()
    ]
    return sorted(found, key=lambda one: (-one.degree_hours, one.species))
