"""Slips: single readings that are impossible or far off, of sensors that are otherwise sound.

One such reading, as from a disturbed wire, says nothing of the sensor: the readings before it
still count, and nobody is asked to look. Several in a row, or a share of the last minutes, do.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Final

import numpy as np

from service.derive.sensors.choice import US_PER_MINUTE, age_min
from service.store.interface import ReadableStore
from service.store.model import Flag, Samples, SeriesInfo, SeriesKey

DOUBTED: Final = Flag.IMPLAUSIBLE | Flag.SPIKE
WINDOW_MIN: Final = 60.0
"""The newest reading is seen among those of so many minutes before it. Our choice."""

SLOW_WINDOW_MIN: Final = 360.0
"""Among those of so many minutes where a sensor sends rarely. Our choice."""

LEAST_IN_A_ROW: Final = 3
"""So many doubted readings in a row are no slip, as many as confirm a step of the water ..."""

LEAST_ROW_MIN: Final = 10.0
"""... if they took so long. Our choice."""

LEAST_OF_WINDOW: Final = 4
"""Nor are so many of the window ..."""

LEAST_SHARE: Final = 1 / 3
"""... if they are this share of it. Our choice."""

MOST_READ: Final = 50
"""Series that are read for it. Where more are doubted at once, it is no slip. Our choice."""


def slips(store: ReadableStore, infos: Iterable[SeriesInfo], now: datetime) -> frozenset[SeriesKey]:
    """The series whose newest reading is doubted, while most of those shortly before are not.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    doubted = [
        one for one in infos if one.last.flags & DOUBTED and age_min(one.last, now) < WINDOW_MIN
    ]
    if len(doubted) > MOST_READ:
        return frozenset()
    return frozenset(one.key for one in doubted if is_slip(_recent(store, one)))


def is_slip(recent: Samples) -> bool:
    """Whether the doubted ones of recent readings are single ones.

    Args:
        recent: with the flagged ones, the newest of which is doubted.
    """
    doubted = (recent.flags & int(DOUBTED)) != 0
    sound = np.flatnonzero(~doubted)
    first = int(sound[-1]) + 1 if sound.size else 0
    row_us = recent.time_us[-1] - recent.time_us[first]
    if len(recent) - first >= LEAST_IN_A_ROW and row_us >= LEAST_ROW_MIN * US_PER_MINUTE:
        return False
    begin_us = recent.time_us[-1] - WINDOW_MIN * US_PER_MINUTE
    within = doubted[recent.time_us > begin_us]
    return bool(within.sum() < LEAST_OF_WINDOW or within.mean() < LEAST_SHARE)


def _recent(store: ReadableStore, info: SeriesInfo) -> Samples:
    """The readings up to the newest: of the window, or of a longer one where they are few."""
    end_us = info.last.time_us + 1
    found = Samples.empty()
    for minutes in (WINDOW_MIN, SLOW_WINDOW_MIN):
        start_us = end_us - int(minutes * US_PER_MINUTE)
        found = store.read(info.key, start_us, end_us, flagged=True)
        if len(found) >= LEAST_IN_A_ROW:
            break
    return found
