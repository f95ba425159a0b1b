"""Salts and doses against published masses, a published recipe and label factors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.carbonate.inverse import bicarbonate_g_for_alkalinity
from service.science.nutrients.dosing import (
    K_PER_K2O,
    NO3_PER_N,
    P_PER_P2O5,
    PO4_PER_P,
    SUBSTANCES,
    added,
    dose_g,
    from_fertiliser_grade,
    gh_rise_meq_l,
    ions_mg_l,
    kh_rise_meq_l,
    labelled,
)
from service.science.nutrients.formulas import molar_mass_g_mol
from service.science.nutrients.limits import CEILINGS, over_ceilings
from service.science.nutrients.stock import (
    Stock,
    stock_cautions,
    stock_dose_ml,
    stock_ions_mg_l,
)
from service.science.water.hardness import dgh_from_meq_l, dkh_from_meq_l, meq_l_from_dkh

# Molar masses as catalogues of laboratory chemicals print them, and percent of each part
# (computed by hand from the IUPAC 2021 abridged atomic weights).
MASSES = {
    "KNO3": 101.102,
    "KH2PO4": 136.084,
    "K2SO4": 174.252,
    "MgSO4.7H2O": 246.466,
    "CaSO4.2H2O": 172.164,
    "CaCl2.2H2O": 147.008,
    "NaHCO3": 84.006,
    "KHCO3": 100.114,
    "FeSO4.7H2O": 278.006,
    "Ca(NO3)2.4H2O": 236.146,
}
PERCENT = [
    ("KNO3", "NO3", 61.33),
    ("KNO3", "K", 38.67),
    ("KH2PO4", "PO4", 69.79),
    ("KH2PO4", "K", 28.73),
    ("K2SO4", "K", 44.88),
    ("MgSO4.7H2O", "Mg", 9.86),
    ("CaSO4.2H2O", "Ca", 23.28),
    ("CaCl2.2H2O", "Ca", 27.26),
    ("KHCO3", "K", 39.05),
    ("FeSO4.7H2O", "Fe", 20.09),
]


@pytest.mark.parametrize(("formula", "mass"), MASSES.items())
def test_molar_mass(formula, mass):
    assert molar_mass_g_mol(formula) == pytest.approx(mass, abs=0.02)


@pytest.mark.parametrize(("name", "ion", "percent"), PERCENT)
def test_mass_fraction(name, ion, percent):
    assert SUBSTANCES[name].mass_fraction[ion] * 100 == pytest.approx(percent, abs=0.006)


def test_label_factors():
    # As printed in growers' tables: P = 0.4364 P2O5, K = 0.8301 K2O; NO3 = 4.427 N.
    assert pytest.approx(0.4364, abs=1e-4) == P_PER_P2O5
    assert pytest.approx(0.8301, abs=1e-4) == K_PER_K2O
    assert pytest.approx(4.427, abs=1e-3) == NO3_PER_N
    assert pytest.approx(3.066, abs=1e-3) == PO4_PER_P


def test_solution_of_hoagland_and_arnon():
    # Hoagland & Arnon 1950, Calif. Agr. Expt. Sta. Circ. 347, solution 1: per litre 5 mL of
    # 1 M KNO3, 5 mL of 1 M Ca(NO3)2, 1 mL of 1 M KH2PO4, 2 mL of 1 M MgSO4. Published as
    # N 210, P 31, K 235, Ca 200, Mg 48, S 64 mg/L.
    moles = {"KNO3": 5e-3, "Ca(NO3)2.4H2O": 5e-3, "KH2PO4": 1e-3, "MgSO4.7H2O": 2e-3}
    level = added(*(ions_mg_l(name, n * MASSES[name], 1.0) for name, n in moles.items()))
    assert level["NO3"] / NO3_PER_N == pytest.approx(210, abs=0.5)
    assert level["PO4"] / PO4_PER_P == pytest.approx(31, abs=0.5)
    assert level["K"] == pytest.approx(235, abs=0.5)
    assert level["Ca"] == pytest.approx(200, abs=0.5)
    assert level["Mg"] == pytest.approx(48, abs=0.7)
    assert level["SO4"] * 32.06 / 96.056 == pytest.approx(64, abs=0.5)


def test_growers_worked_example():
    # Mattson 2018, Fertilizer calculation basics for hydroponics, e-GRO Edible Alert 3(5):
    # calcium nitrate with 15.5 % N and 19 % Ca for 100 mg/L N in 1 L. Target divided by
    # fraction, 100 / 0.155 = 645 mg; by hand, that brings 122.6 mg/L Ca.
    product = labelled("calcium nitrate", {"N": 0.155, "Ca": 0.19})
    grams = dose_g(product, "N", 100, 1.0)
    assert grams * 1000 == pytest.approx(645, abs=0.5)
    assert ions_mg_l(product, grams, 1.0)["Ca"] == pytest.approx(122.6, abs=0.1)


def test_one_gram_of_saltpetre_in_a_hundred_litres():
    rise = ions_mg_l("KNO3", 1.0, 100)
    assert rise["NO3"] == pytest.approx(6.13, abs=0.005)
    assert rise["K"] == pytest.approx(3.87, abs=0.005)


@pytest.mark.parametrize(("salt", "grams"), [("NaHCO3", 2.996), ("KHCO3", 3.571)])
def test_grams_for_one_degree_of_kh(salt, grams):
    # By hand: 100 L * 0.356652 meq/L * molar mass.
    assert dkh_from_meq_l(kh_rise_meq_l(ions_mg_l(salt, grams, 100))) == pytest.approx(1, abs=1e-3)
    assert bicarbonate_g_for_alkalinity(0, meq_l_from_dkh(1), 100, salt=salt) == pytest.approx(
        grams, abs=2e-3
    )


@pytest.mark.parametrize(("salt", "grams"), [("MgSO4.7H2O", 4.395), ("CaSO4.2H2O", 3.070)])
def test_grams_for_one_degree_of_gh(salt, grams):
    assert dgh_from_meq_l(gh_rise_meq_l(ions_mg_l(salt, grams, 100))) == pytest.approx(1, abs=1e-3)


@given(st.sampled_from(sorted(SUBSTANCES)), st.floats(0.01, 100), st.floats(5, 2000))
def test_dose_roundtrip(name, rise, litres):
    for ion in SUBSTANCES[name].mass_fraction:
        again = ions_mg_l(name, dose_g(name, ion, rise, litres), litres)[ion]
        assert again == pytest.approx(rise, rel=1e-12)


def test_grade_of_monopotassium_phosphate():
    # Pure KH2PO4 is sold as 0-52-34.
    fractions = from_fertiliser_grade(0, 52, 34)
    assert fractions["PO4"] == pytest.approx(SUBSTANCES["KH2PO4"].mass_fraction["PO4"], abs=0.005)
    assert fractions["K"] == pytest.approx(SUBSTANCES["KH2PO4"].mass_fraction["K"], abs=0.006)
    assert "NO3" not in fractions


def test_stock_by_hand():
    # 25 g KNO3 in 500 mL: 1 mL holds 50 mg, in 100 L 0.5 mg/L salt = 0.3067 mg/L NO3.
    stock = Stock({"KNO3": 25.0}, 500.0)
    assert stock_ions_mg_l(stock, 1.0, 100)["NO3"] == pytest.approx(0.3067, abs=1e-4)
    assert stock_dose_ml(stock, "NO3", 3.067, 100) == pytest.approx(10, abs=0.01)
    assert stock_cautions(stock) == []


def test_stock_of_two_salts_adds_their_potassium():
    stock = Stock({"KNO3": 10.0, "K2SO4": 10.0}, 1000.0)
    level = stock_ions_mg_l(stock, 10.0, 100)
    assert level["K"] == pytest.approx(1.0 * (0.3867 + 0.4488), abs=1e-3)


@pytest.mark.parametrize(
    ("grams", "word"),
    [
        ({"K2SO4": 120.0}, "dissolves"),
        ({"CaCl2.2H2O": 10.0, "MgSO4.7H2O": 10.0}, "calcium precipitates with SO4"),
        ({"CaSO4.2H2O": 1.0, "KH2PO4": 1.0}, "calcium precipitates with PO4"),
        ({"Fe-DTPA": 5.0, "KH2PO4": 5.0}, "iron precipitates with phosphate"),
    ],
)
def test_stocks_that_do_not_keep(grams, word):
    (caution,) = stock_cautions(Stock(grams, 1000.0))
    assert word in caution


def test_gypsum_alone_is_no_quarrel_with_itself():
    assert stock_cautions(Stock({"CaSO4.2H2O": 1.0}, 1000.0)) == []


# US EPA, National recommended water quality criteria for aquatic life, chronic: chloride 230 mg/L
# (1988), copper 9 ug/L at 100 mg/L CaCO3 (1996), iron 1 mg/L (1986); from memory.
@pytest.mark.parametrize(("ion", "mg_l"), [("Cl", 230.0), ("Cu", 0.009), ("Fe", 1.0)])
def test_ceilings_are_the_published_ones_and_may_be_reached(ion, mg_l):
    assert over_ceilings({ion: mg_l}) == []
    (found,) = over_ceilings({ion: mg_l * 1.0001})
    assert (found.ion, found.ceiling.mg_l) == (ion, mg_l)


def test_ceilings():
    over = over_ceilings({"NO3": 60.0, "PO4": 1.0, "SO4": 500.0, "Cu": 0.02})
    assert [one.ion for one in over] == ["NO3", "Cu"]
    assert "Camargo" in over[0].ceiling.source
    assert CEILINGS["NO3"].mg_l == pytest.approx(44.3, abs=0.1)
    with pytest.raises(ValueError, match="level of K is -1; allowed"):
        over_ceilings({"K": -1.0})


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ions_mg_l("KNO2", 1, 100), "substance is 'KNO2'; allowed: KNO3, "),
        (lambda: dose_g("KNO3", "PO4", 1, 100), "ion is 'PO4'; allowed: K, NO3, which KNO3 holds"),
        (lambda: ions_mg_l("KNO3", 1, 0), "litres is 0; allowed: a number above 0 L"),
        (lambda: ions_mg_l("KNO3", -1, 10), "grams is -1; allowed"),
        (lambda: labelled("x", {"Fe": 1.3}), r"mass fraction of Fe is 1\.3; allowed"),
        (lambda: labelled("x", {"Fe": 0.7, "K": 0.7}), "sum of mass fractions"),
        (lambda: molar_mass_g_mol("KXe3"), "formula is 'KXe3'; allowed: .*, not 'Xe'"),
        (lambda: molar_mass_g_mol("Ca(NO3"), "allowed: a formula such as"),
        (lambda: molar_mass_g_mol("KNO3)"), "allowed: a formula such as"),
        (lambda: molar_mass_g_mol(""), "allowed: a formula such as"),
        (lambda: molar_mass_g_mol("k"), "allowed: a formula such as"),
        (
            lambda: stock_dose_ml(Stock({"KNO3": 1.0}, 10), "Fe", 1, 1),
            "ion is 'Fe'; allowed: K, NO3",
        ),
    ],
)
def test_bad_input(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_doses_broadcast():
    assert np.shape(dose_g("KNO3", "NO3", [1, 2, 3], 100)) == (3,)
