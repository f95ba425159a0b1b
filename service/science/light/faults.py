"""What is out of the ordinary in a day's light, compared with days before or with a timer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from service.science.constants import SECONDS_PER_HOUR
from service.science.light.days import DayOfLight, clipped, overlaps
from service.science.light.dose import photoperiod_hours
from service.science.numeric.intervals import Interval, overlap_s

Finding = Literal["dark", "dim", "bright", "short", "long", "shifted", "flickering", "unknown"]

DIM_SHARE: Final = 0.7
"""Below this share of the usual brightness a lamp is dim: the end of the useful life of LEDs is
commonly stated as 70 % of the initial flux, "L70" (IES LM-80; from memory)."""

BRIGHT_SHARE: Final = 1.4
"""Above this multiple of the usual brightness it is bright: 1 / 0.7. Our choice."""

HOURS_TOLERANCE: Final = 0.75
"""Hours by which a photoperiod may differ from the usual one. Our choice."""

SHIFT_S: Final = 2700.0
"""Seconds by which the first light may come early or late. Less than the hour by which a timer
without summer time goes wrong. Our choice."""

MANY_FLICKERS: Final = 5
"""Short dark breaks in a day from which on the lamp flickers. Our choice."""

MIN_COVER: Final = 0.9
"""Share of the day that readings must cover before darkness or hours are judged. Our choice."""


def findings(
    day: DayOfLight,
    usual: Sequence[DayOfLight],
    *,
    dim_share: float = DIM_SHARE,
    hours_tolerance: float = HOURS_TOLERANCE,
) -> tuple[Finding, ...]:
    """Say what is out of the ordinary in one day's light, compared with days before it.

    Parameters
    ----------
    day: the day in question, complete.
    usual: days before it; medians of those with light and good cover are the measure.
    dim_share: "dim" if the median while lit is below this share of the usual; "bright" above
        1.4 times.
    hours_tolerance: "short" or "long" beyond so many hours.

    Returns
    -------
    Findings, none if all is as usual: "unknown" alone if less than 90 % of the day is covered
    by readings and no light was seen; "dark" if no light was seen; "shifted" if the first light
    came 45 minutes early or late; "flickering" with five short breaks or more.
    """
    if not day.lit:
        return ("dark",) if day.cover >= MIN_COVER else ("unknown",)
    found: list[Finding] = ["flickering"] if day.flickers >= MANY_FLICKERS else []
    before = [one for one in usual if one.lit and one.cover >= MIN_COVER]
    if not before:
        return tuple(found)
    brightness = day.bright_lux / float(np.median([one.bright_lux for one in before]))
    if brightness < dim_share:
        found.append("dim")
    elif brightness > BRIGHT_SHARE:
        found.append("bright")
    if day.cover >= MIN_COVER:
        longer = day.hours - float(np.median([one.hours for one in before]))
        if abs(longer) > hours_tolerance:
            found.append("short" if longer < 0 else "long")
    starts = [one.on_s - one.start_s for one in before if one.on_s is not None]
    if day.on_s is not None and starts:
        late = day.on_s - day.start_s - float(np.median(starts))
        if abs(late) > SHIFT_S:
            found.append("shifted")
    return tuple(found)


def hours_missed(day: DayOfLight, planned: Sequence[Interval]) -> float:
    """Hours of `planned` light (a timer's intervals) in which the day was not lit."""
    inside = [
        clipped(one, day.start_s, day.end_s)
        for one in planned
        if overlaps(one, day.start_s, day.end_s)
    ]
    return photoperiod_hours(inside) - overlap_s(inside, day.lit) / SECONDS_PER_HOUR
