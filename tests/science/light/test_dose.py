"""Light dose and lit intervals, against published tables and a real series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.light.dose import (
    UMOL_PER_LUX,
    degree_hours_while_lit,
    dli_from_constant_ppfd,
    lit_intervals,
    lux_hours,
    photoperiod_hours,
    ppfd_from_lux,
)
from service.science.numeric.intervals import Interval
from tests.science.spectra import umol_per_lux
from tests.science.typical_year import typical_year

HOUR = 3600.0

# Thimijan & Heins 1983, HortScience 18:818-822, table 3: lux per µmol/m²/s, 400-700 nm.
LUX_PER_UMOL = {
    "sunlight": 54,
    "blue sky": 52,
    "cool-white fluorescent": 74,
    "metal halide": 71,
    "high-pressure sodium": 82,
    "incandescent": 50,
}


@pytest.mark.parametrize(("source", "lux"), LUX_PER_UMOL.items())
def test_ppfd_from_lux_vs_thimijan_heins(source, lux):
    assert ppfd_from_lux(lux * 250.0, UMOL_PER_LUX[source]) == pytest.approx(250.0)


@pytest.mark.parametrize(
    ("source", "illuminant", "within"),
    [
        ("incandescent", "A", 0.005),
        ("sunlight", "D65", 0.03),
        ("cool-white fluorescent", "FL2", 0.04),
        *(("white LED", f"LED-B{n}", 0.05) for n in range(1, 6)),
    ],
)
def test_factors_vs_cie_spectra(source, illuminant, within):
    # CIE 15:2018 illuminants and V(lambda) from PyPI colour-science, integrated in spectra.py.
    assert UMOL_PER_LUX[source] == pytest.approx(umol_per_lux(illuminant), rel=within)


def test_white_led_is_the_mean_of_the_cie_five():
    mean = np.mean([umol_per_lux(f"LED-B{n}") for n in range(1, 6)])
    assert UMOL_PER_LUX["white LED"] == pytest.approx(mean, abs=5e-5)


def test_full_sunlight_is_2000_umol():
    # Common check value of horticulture: full sun 108,000 lx is 2000 µmol/m²/s.
    assert ppfd_from_lux(108_000, UMOL_PER_LUX["sunlight"]) == pytest.approx(2000)


@pytest.mark.parametrize(
    ("ppfd", "hours", "dli"),
    [
        # Faust, Light Management: 38.1 µmol/m²/s over 12 h give 1.6 mol/m²/d.
        (38.1, 12, 1.6),
        # Tables of the daily integral under constant light, printed to 0.1-0.01.
        (100, 24, 8.64),
        (200, 16, 11.52),
        (300, 16, 17.28),
        (1000, 12, 43.20),
    ],
)
def test_dli_vs_published_examples(ppfd, hours, dli):
    assert dli_from_constant_ppfd(ppfd, hours) == pytest.approx(dli, abs=0.05)
    time = np.linspace(0, hours * HOUR, 500)
    lux = np.full(500, ppfd / UMOL_PER_LUX["sunlight"])
    dose = lux_hours(time, lux)
    assert dose.dli_mol_m2(UMOL_PER_LUX["sunlight"]) == pytest.approx(dli, abs=0.05)


def test_dose_of_a_triangle_by_hand():
    dose = lux_hours([0, HOUR / 2, HOUR], [0, 10_000, 0])
    assert dose.total == pytest.approx(5000)
    assert (dose.covered_s, dose.gaps) == (HOUR, ())


def test_gap_counts_nothing_and_is_reported():
    dose = lux_hours([0, 600, 600 + 4 * HOUR, 1200 + 4 * HOUR], [6000] * 4)
    assert dose.total == pytest.approx(2000)
    assert dose.gaps == (Interval(600, 600 + 4 * HOUR),)
    assert dose.covered_s == 1200


def test_empty_series_has_no_dose():
    assert lux_hours([], []).total == 0.0


def test_negative_illuminance_is_refused():
    with pytest.raises(ValueError, match="lux is -5; allowed: a number from 0"):
        lux_hours([0, 1], [10, -5])
    with pytest.raises(ValueError, match="lux is -5; allowed: a number from 0"):
        ppfd_from_lux(-5)


def test_nan_passes_elementwise_and_is_skipped_in_series():
    assert np.isnan(ppfd_from_lux([np.nan, 100.0])).tolist() == [True, False]
    assert lux_hours([0, 600, 1200], [100, np.nan, 100]).total == pytest.approx(100 / 3)


def test_lit_interval_of_a_lamp():
    time = np.arange(0, 24 * HOUR, 60)
    lux = np.where((time >= 10 * HOUR) & (time < 18 * HOUR), 12_000.0, 40.0)
    (lit,) = lit_intervals(time, lux)
    assert lit.start_s == pytest.approx(10 * HOUR, abs=60)
    assert lit.end_s == pytest.approx(18 * HOUR, abs=60)
    assert photoperiod_hours([lit]) == pytest.approx(8, abs=2 / 60)


def test_hysteresis_flicker_and_flashes():
    time = np.arange(8) * 60.0
    lux = [0, 1000, 400, 1000, 0, 1000, 0, 0]
    assert len(lit_intervals(time, lux)) == 2
    assert len(lit_intervals(time, lux, off_lux=500)) == 3
    assert len(lit_intervals(time, lux, min_off_s=120)) == 1
    assert len(lit_intervals(time, lux, min_on_s=90)) == 1


def test_gap_in_the_light_leaves_the_edges_unknown():
    time = np.array([0, 600, 1200, 9000, 9600, 10200])
    first, second = lit_intervals(time, [0, 1000, 1000, 1000, 1000, 0], min_off_s=1e6)
    assert (first.start_known, first.end_known) == (True, False)
    assert (second.start_known, second.end_known) == (False, True)


def test_dead_lamp_has_no_lit_interval():
    assert lit_intervals(np.arange(100) * 60.0, np.full(100, 30.0)) == []


def test_photoperiod_within_a_window():
    lit = [Interval(0, 4 * HOUR), Interval(6 * HOUR, 10 * HOUR)]
    assert photoperiod_hours(lit) == 8
    assert photoperiod_hours(lit, 3 * HOUR, 7 * HOUR) == 2
    assert photoperiod_hours([], 0, 1) == 0


def test_degree_hours_while_lit_by_hand():
    # 22 -> 26 °C over 4 h, base 24: above from hour 2; lit from hour 1 to 3 -> 1/2 * 1 h * 1 K.
    time, temperature = np.array([0, 2, 4]) * HOUR, [22, 24, 26]
    lit = [Interval(HOUR, 3 * HOUR)]
    found = degree_hours_while_lit(time, temperature, [[], lit, lit, []], 24.0)
    assert found == pytest.approx([0.0, 0.5, 0.5, 0.0])


@given(
    st.lists(st.floats(18, 32), min_size=3, max_size=30),
    st.lists(st.floats(0, 30), min_size=2, max_size=8, unique=True),
)
def test_degree_hours_while_lit_vs_dense_sum(temperature, hours):
    hours = sorted(hours)
    lit = [Interval(a * HOUR, b * HOUR) for a, b in zip(hours[::2], hours[1::2], strict=False)]
    time = HOUR * np.arange(len(temperature))
    expected = 0.0
    for one in lit:
        edge = np.linspace(one.start_s, one.end_s, 20_001)
        middle = (edge[1:] + edge[:-1]) / 2
        excess = np.maximum(np.interp(middle, time, temperature, left=0, right=0) - 24, 0)
        expected += excess.mean() * one.length_s / HOUR
    (ours,) = degree_hours_while_lit(time, temperature, [lit], 24.0)
    assert ours == pytest.approx(expected, abs=2e-2, rel=1e-3)


# --- a real series: typical year at Greensboro, PyPI pvlib, data/723170TYA.CSV ----------------


@pytest.fixture(scope="module")
def greensboro():
    """Hours, illuminance in lx and irradiance in W/m² of the typical year."""
    frame = typical_year()
    lux = frame["GH illum (lx)"].to_numpy(float) * 100
    return np.arange(len(frame)) * HOUR, lux, frame["GHI (W/m^2)"].to_numpy(float)


def test_year_of_daylight_vs_irradiance_route(greensboro):
    time, lux, irradiance = greensboro
    ours = lux_hours(time, lux, max_gap_s=HOUR).dli_mol_m2(UMOL_PER_LUX["sunlight"])
    # Logan, Sams & Faust 2016 (AMS): DLI = 7.058 mol per kWh of global irradiance.
    theirs = irradiance.sum() / 1000 * 7.058
    assert ours / 365 == pytest.approx(theirs / 365, rel=0.03)
    assert 25 < ours / 365 < 40


def test_year_of_daylight_lux_hours(greensboro):
    time, lux, _ = greensboro
    assert lux_hours(time, lux, max_gap_s=HOUR).total == pytest.approx(lux.sum(), rel=1e-9)


def test_photoperiod_of_daylight_follows_the_season(greensboro):
    time, lux, _ = greensboro
    lit = lit_intervals(time, lux, max_gap_s=HOUR, min_off_s=HOUR)
    assert len(lit) == 365
    june, december = (photoperiod_hours(lit, d * 86400, (d + 1) * 86400) for d in (171, 354))
    # Greensboro, 36.1° N: 14.6 h and 9.7 h from sunrise to sunset (from memory).
    assert june == pytest.approx(14.6, abs=1.0)
    assert december == pytest.approx(9.7, abs=1.0)
