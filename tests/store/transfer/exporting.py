"""A filled store to be exported and copied."""

from __future__ import annotations

import numpy as np

from service.store import Flag, Reading, SeriesKey
from tests.store.transfer.importing import SECOND, T0, TANK


def filled(store):
    """Two series over three weeks, with flags, raw numbers and odd names."""
    rng = np.random.default_rng(7)
    keys = [SeriesKey(TANK, "temperature", "sump, left"), SeriesKey(TANK, "ph", 'probe "2"')]
    for key in keys:
        rows = []
        for i in range(900):
            flags = Flag.SPIKE if i % 50 == 0 else Flag.LATE if i % 70 == 0 else Flag.NONE
            raw = round(float(rng.normal(70, 1)), 3) if i % 3 == 0 else None
            time_us = T0 + i * 2017 * SECOND + (i % 2) * 250_000
            rows.append(Reading(*(key.tank, key.quantity, key.sensor), time_us,
                                float(rng.normal(20, 3)), flags, raw))  # fmt: skip
        store.write(rows)
    return keys
