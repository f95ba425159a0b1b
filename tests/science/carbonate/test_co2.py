"""Carbonate system against PHREEQC, PyCO2SYS and the published constants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.carbonate import co2 as carbonate
from service.science.carbonate.activity import debye_hueckel_a_b
from service.science.carbonate.equilibrium import (
    K1_PLUMMER_BUSENBERG_1982,
    K2_PLUMMER_BUSENBERG_1982,
    KW_HARNED_OWEN_1958,
    ln_k,
    ln_k_slope,
    pk,
)
from service.science.carbonate.kh_test import alkalinity_of_test
from service.science.numeric.polynomials import evaluate, fitted, scaled
from service.science.water.hardness import MEQ_L_PER_DEGREE, meq_l_from_dkh

# PHREEQC (phreeqpython 1.6, KHCO3 water brought to the pH with CO2): °C, dKH, pH, mg/L
GOLDEN = [
    (25, 4, 6.8, 21.4413),
    (25, 4, 7.0, 13.5222),
    (20, 4, 7.0, 14.4965),
    (25, 1, 6.4, 13.7603),
    (25, 10, 7.4, 13.1372),
    (28, 6, 6.6, 48.8182),
    (22, 2, 6.0, 71.3593),
    (30, 15, 8.6, 1.1052),
]


@pytest.mark.parametrize(
    ("celsius", "pk1", "pk2", "pkw"),
    [  # Plummer & Busenberg 1982; Harned & Owen 1958
        (10, 6.4633, 10.4879, 14.5332),
        (20, 6.3819, 10.3756, 14.1652),
        (25, 6.3519, 10.3289, 13.9947),
        (30, 6.3281, 10.2879, 13.8327),
    ],
)
def test_constants_vs_published_table(celsius: float, pk1: float, pk2: float, pkw: float) -> None:
    at = np.asarray(float(celsius))
    assert pk(K1_PLUMMER_BUSENBERG_1982, at) == pytest.approx(pk1, abs=6e-5)
    assert pk(K2_PLUMMER_BUSENBERG_1982, at) == pytest.approx(pk2, abs=6e-5)
    assert pk(KW_HARNED_OWEN_1958, at) == pytest.approx(pkw, abs=6e-5)


def test_constant_slopes_vs_finite_difference() -> None:
    celsius = np.linspace(2, 48, 10)
    for constant in (K1_PLUMMER_BUSENBERG_1982, K2_PLUMMER_BUSENBERG_1982, KW_HARNED_OWEN_1958):
        numeric = -np.log(10) * (pk(constant, celsius + 1e-3) - pk(constant, celsius - 1e-3))
        np.testing.assert_allclose(ln_k_slope(constant, celsius), numeric / 2e-3, rtol=1e-5)


def test_polynomials_stand_for_the_formulas() -> None:
    """Every constant as polynomial in temperature, between its nodes, against its formula."""
    celsius = np.linspace(0, 50, 501)
    for constant in (K1_PLUMMER_BUSENBERG_1982, K2_PLUMMER_BUSENBERG_1982, KW_HARNED_OWEN_1958):

        def formula(t: np.ndarray, constant: tuple = constant) -> np.ndarray:
            return np.exp(ln_k(constant, t))

        found = evaluate(fitted(formula), scaled(celsius))
        np.testing.assert_allclose(found, formula(celsius), rtol=2e-6)
    for index in (0, 1):

        def debye(t: np.ndarray, index: int = index) -> np.ndarray:
            return debye_hueckel_a_b(t)[index]

        found = evaluate(fitted(debye, degree=3), scaled(celsius))
        np.testing.assert_allclose(found, debye(celsius), rtol=2e-5)


@pytest.mark.parametrize(("celsius", "kh", "ph", "expected"), GOLDEN)
def test_co2_vs_phreeqc_golden(celsius: float, kh: float, ph: float, expected: float) -> None:
    assert carbonate.co2_mg_l(ph, meq_l_from_dkh(kh), celsius) == pytest.approx(expected, rel=1e-3)


def test_co2_vs_phreeqc_grid(phreeqc_grid) -> None:
    """Same K1 and K2 as PHREEQC: this checks the balance and the activity model.

    The rest (0.07 %) is PHREEQC's own Kw, dielectric constant and trace of KCO3 balance.
    """
    ours = carbonate.co2_mg_l(
        phreeqc_grid.ph, phreeqc_grid.alkalinity_meq_l, phreeqc_grid.temperature_c
    )
    deviation = np.abs(ours / phreeqc_grid.co2_mg_l - 1)
    assert deviation.max() < 0.002
    assert deviation[phreeqc_grid.core].max() < 0.0005


def test_davies_vs_phreeqc_grid(phreeqc_grid) -> None:
    ours = carbonate.co2_mg_l(
        phreeqc_grid.ph,
        phreeqc_grid.alkalinity_meq_l,
        phreeqc_grid.temperature_c,
        activity="davies",
    )
    assert np.abs(ours / phreeqc_grid.co2_mg_l - 1).max() < 0.004  # another activity model


def test_no_activity_vs_pyco2sys_grid(pyco2sys_grid) -> None:
    """Other constants (Millero 1979), no activity: the independent check of our constants."""
    ours = carbonate.co2_mg_l(
        pyco2sys_grid.ph,
        pyco2sys_grid.alkalinity_meq_l,
        pyco2sys_grid.temperature_c,
        activity="none",
    )
    assert np.abs(ours / pyco2sys_grid.co2_mg_l - 1).max() < 0.003


def test_rule_of_thumb() -> None:
    assert carbonate.co2_rule_of_thumb_mg_l(6.6, 4) == pytest.approx(12 * 10**0.4)
    full = carbonate.co2_mg_l(6.6, meq_l_from_dkh(4), 24)
    assert 0.81 < carbonate.co2_rule_of_thumb_mg_l(6.6, 4) / full < 0.94


def test_the_trades_30_is_about_34_dissolved() -> None:
    """Against PHREEQC at 25 °C and KH 1 to 10: what is dissolved where the rule says 30 mg/L."""
    dissolved = [
        30 * phreeqc / float(carbonate.co2_rule_of_thumb_mg_l(ph, kh))
        for celsius, kh, ph, phreeqc in GOLDEN
        if celsius == 25
    ]
    assert dissolved == pytest.approx([33.8, 33.8, 34.6, 33.0], abs=0.1)
    assert all(0.10 < 1 - 30 / one < 0.135 for one in dissolved if one > 33.5)


waters = {
    "ph": st.floats(5.8, 8.6),
    "kh": st.floats(0.5, 15),
    "celsius": st.floats(18, 30),
}


@given(**waters)
def test_inverses_roundtrip(ph: float, kh: float, celsius: float) -> None:
    alkalinity = kh * MEQ_L_PER_DEGREE
    co2 = carbonate.co2_mg_l(ph, alkalinity, celsius)
    assert carbonate.ph_for_co2(co2, alkalinity, celsius) == pytest.approx(ph, abs=1e-9)
    back = carbonate.alkalinity_for_co2(co2, ph, celsius)
    assert back == pytest.approx(alkalinity, rel=1e-5)


@given(**waters)
def test_co2_falls_with_ph_and_rises_with_kh(ph: float, kh: float, celsius: float) -> None:
    alkalinity = kh * MEQ_L_PER_DEGREE
    here = carbonate.co2_mg_l(ph, alkalinity, celsius)
    assert carbonate.co2_mg_l(ph + 0.01, alkalinity, celsius) < here
    assert carbonate.co2_mg_l(ph, alkalinity * 1.01, celsius) > here


def test_broadcast_blocks_agree_with_scalars() -> None:
    ph = np.linspace(6, 8, 9001)
    together = carbonate.estimate_co2(ph, 1.4, 24.0)
    for index in (0, 8191, 8192, 9000):
        alone = carbonate.estimate_co2(ph[index], 1.4, 24.0)
        assert together.value[index] == alone.value
        assert together.low[index] == alone.low
        assert together.high[index] == alone.high
    grid = carbonate.co2_mg_l(ph[:, None], np.array([1.0, 2.0]), 24.0)
    assert grid.shape == (9001, 2)
    assert grid[8500, 1] == carbonate.co2_mg_l(ph[8500], 2.0, 24.0)


def test_an_interval_does_not_hang_on_what_is_asked_with_it() -> None:
    """A test without any certainty beside good ones; each alone gives the same."""
    meq_l, sd_meq_l = np.array([4.0, 0.05, 2.0]), np.array([0.3, 1.0, 0.2])
    together = carbonate.estimate_co2(6.8, meq_l, 24.0, alkalinity_sd_meq_l=sd_meq_l)
    for at, (alkalinity, sd) in enumerate(zip(meq_l, sd_meq_l, strict=True)):
        alone = carbonate.estimate_co2(6.8, alkalinity, 24.0, alkalinity_sd_meq_l=sd)
        assert (alone.low, alone.high) == (together.low[at], together.high[at])


def test_missing_readings_stay_missing() -> None:
    out = carbonate.co2_mg_l([6.6, np.nan, 6.8], [1.4, 1.4, np.nan], 24)
    assert np.isfinite(out).tolist() == [True, False, False]
    assert np.isnan(carbonate.ph_for_co2(np.nan, 1.4, 24))


def test_more_hydroxide_than_alkalinity_has_no_answer() -> None:
    assert np.isnan(carbonate.co2_mg_l(10.0, 0.05, 25))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((13.0, 1.4, 24), "ph is 13; allowed: 2 to 12"),
        ((6.6, -0.1, 24), "alkalinity_meq_l is -0.1; allowed: 0 to 50 meq/L"),
        ((6.6, 1.4, 75.2), "temperature_c is 75.2; allowed: 0 to 50 °C"),
        ((6.6, 1.4, np.inf), "temperature_c is inf; allowed"),
        (("acid", 1.4, 24), "ph is 'acid'; allowed: a number"),
    ],
)
def test_impossible_input_is_named(arguments: tuple, words: str) -> None:
    with pytest.raises(ValueError, match=words.replace("(", r"\(")):
        carbonate.co2_mg_l(*arguments)


def test_unknown_activity_model_is_named() -> None:
    with pytest.raises(ValueError, match="'pitzer'; allowed: debye-hueckel, davies, none"):
        carbonate.co2_mg_l(6.6, 1.4, 24, activity="pitzer")


def test_interval_vs_monte_carlo() -> None:
    """The 2.5 and 97.5 % points of 200,000 random waters, within 3 % of ours."""
    rng = np.random.default_rng(3)
    n = 200_000
    for ph, kh, celsius in [(6.6, 4, 24), (7.2, 8, 22), (6.2, 2, 26), (8.4, 10, 28)]:
        alkalinity = kh * MEQ_L_PER_DEGREE
        half = carbonate.DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L
        # both known: nothing is left of other ions to be wrong about
        ions = {"gh_meq_l": alkalinity + 0.5, "conductivity_us_cm": 150 * alkalinity + 60}
        sampled = carbonate.co2_mg_l(
            ph + rng.normal(0, carbonate.DEFAULT_PH_SD, n) + rng.normal(0, 0.025, n),
            alkalinity + rng.uniform(-half, half, n),
            celsius + rng.normal(0, carbonate.DEFAULT_TEMPERATURE_SD_C, n),
            **ions,
        )
        low, high = np.quantile(sampled, [0.025, 0.975])
        ours = carbonate.estimate_co2(ph, alkalinity, celsius, **ions)
        assert ours.low == pytest.approx(low, rel=0.03)
        assert ours.high == pytest.approx(high, rel=0.03)


def test_no_kh_found_is_not_certainty() -> None:
    """A test that shows 0 dKH leaves room for half a degree: 4 mg/L at pH 6.6."""
    none = alkalinity_of_test(0.0)
    found = carbonate.estimate_co2(
        6.6, none.value_meq_l, 25, alkalinity_half_width_meq_l=none.half_width_meq_l
    )
    assert found.high > carbonate.co2_mg_l(6.6, meq_l_from_dkh(0.5), 25)
    # a scatter far larger than the value is that of a log-normal
    scarce = carbonate.estimate_co2(
        6.6, 0.02, 25, alkalinity_sd_meq_l=0.1, alkalinity_half_width_meq_l=0
    )
    assert scarce.low < scarce.value < scarce.high < 200 * scarce.value


def test_ph_error_dominates_as_published() -> None:
    """pH off by 0.01 -> 2.3 %, 0.1 -> 26 % of CO2 (10^dpH, any textbook)."""
    here = carbonate.co2_mg_l(6.8, 1.4, 25)
    assert carbonate.co2_mg_l(6.79, 1.4, 25) / here == pytest.approx(10**0.01, rel=1e-3)
    assert carbonate.co2_mg_l(6.7, 1.4, 25) / here == pytest.approx(10**0.1, rel=1e-3)


@given(
    ph=st.floats(2, 12),
    meq_l=st.floats(0.01, 20),
    celsius=st.floats(0, 50),
    known=st.fixed_dictionaries(
        {}, optional={"gh_meq_l": st.floats(0, 10), "conductivity_us_cm": st.floats(0, 2000)}
    ),
)
def test_a_single_number_is_as_in_an_array(
    ph: float, meq_l: float, celsius: float, known: dict[str, float]
) -> None:
    """Single numbers take a shorter way: numpy may round a last digit in another way in each."""
    alone = carbonate.estimate_co2(ph, meq_l, celsius, **known)
    arrays = {name: np.full(3, value) for name, value in known.items()}
    many = carbonate.estimate_co2(np.full(3, ph), np.full(3, meq_l), np.full(3, celsius), **arrays)
    for name in ("value", "low", "high"):
        single, row = getattr(alone, name), getattr(many, name)
        assert isinstance(single, np.float64)
        np.testing.assert_allclose(np.full(3, single), row, rtol=1e-12)
