"""The vectorised search against a plain loop, sample by sample, for any series with gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.light.dose import lit_intervals
from service.science.temperature.excursions import excursions

MAX_GAP = 100.0


def crossing(t0, t1, a, b, level):
    return t0 + (level - a) / (b - a) * (t1 - t0)


def loop(time, value, on, off):
    """(start, end, start known, end known) of runs above `on`, by a state machine."""
    runs, start, left, known = [], None, None, False
    for i, level in enumerate(value):
        fresh = i == 0 or time[i] - time[i - 1] > MAX_GAP
        if fresh and start is not None:
            runs.append((start, time[i - 1], known, False))
            start = None
        if start is None:
            if level > on:
                known = not fresh
                start = (
                    crossing(time[i - 1], time[i], value[i - 1], level, on) if known else time[i]
                )
                left = None
            continue
        if level > on:
            left = None
        elif left is None:
            left = crossing(time[i - 1], time[i], value[i - 1], level, on)
        if level <= off:
            runs.append((start, left, known, True))
            start = None
    if start is not None:
        runs.append((start, time[-1], known, False))
    return runs


def edges(found):
    """One row per interval, to compare numbers with numbers."""
    rows = [(one.start_s, one.end_s, one.start_known, one.end_known) for one in found]
    return np.array(rows, dtype=float).reshape(-1, 4)


steps = st.lists(st.sampled_from([10.0, 60.0, 99.0, 150.0, 1000.0]), min_size=1, max_size=60)
# Whole and half values make samples that lie exactly on a limit common.
levels = st.sampled_from([x / 2 for x in range(40, 61)])


@settings(max_examples=400)
@given(steps, st.data(), st.sampled_from([0.0, 0.5, 1.0, 2.0]))
def test_excursions_vs_loop(step, data, band):
    time = np.concatenate(([0.0], np.cumsum(step)))
    value = data.draw(st.lists(levels, min_size=time.size, max_size=time.size))
    found = excursions(time, value, None, 25.0, hysteresis_c=band, max_gap_s=MAX_GAP)
    expected = np.array(loop(time, value, 25.0, 25.0 - band), dtype=float).reshape(-1, 4)
    assert edges(found) == pytest.approx(expected)
    mirrored = [50.0 - each for each in value]
    below = excursions(time, mirrored, 25.0, None, hysteresis_c=band, max_gap_s=MAX_GAP)
    assert edges(below) == pytest.approx(expected)
    assert [o.degree_hours for o in below] == pytest.approx([o.degree_hours for o in found])
    assert [50 - o.peak_c for o in below] == pytest.approx([o.peak_c for o in found])


@settings(max_examples=200)
@given(steps, st.data())
def test_lit_intervals_vs_loop(step, data):
    time = np.concatenate(([0.0], np.cumsum(step)))
    lux = st.sampled_from([0.0, 100.0, 250.0, 300.0, 500.0, 600.0, 9000.0])
    value = data.draw(st.lists(lux, min_size=time.size, max_size=time.size))
    found = lit_intervals(time, value, max_gap_s=MAX_GAP)
    expected = np.array(loop(time, value, 500.0, 250.0), dtype=float).reshape(-1, 4)
    assert edges(found) == pytest.approx(expected)
