"""Salts to mg/L and back: what excludes each other, and the sums."""

from __future__ import annotations

import pytest

from service.derive.calculations.dosing import Bottle, Grade, IonLevel, Salt, dose, stock_dose
from service.science.numeric.checks import OutOfRangeError

KNO3 = {"substance": "KNO3"}


def refused(field: str, **given: object) -> str:
    with pytest.raises(OutOfRangeError) as caught:
        dose(100.0, **given)  # type: ignore[arg-type]
    assert caught.value.name == field
    return str(caught.value)


@pytest.mark.parametrize("ion", ["PO4", None])
def test_an_ion_that_the_salt_lacks_is_refused_with_those_it_has(ion: str | None) -> None:
    allowed = refused("ion", **KNO3, ion=ion, rise_mg_l=1.0)
    assert "one of K, NO3, beside rise" in allowed or "one of NO3, K, beside rise" in allowed


def test_mass_or_rise() -> None:
    assert "this or rise" in refused("mass_g", **KNO3)
    assert "this or rise" in refused("mass_g", **KNO3, mass_g=1.0, ion="NO3", rise_mg_l=1.0)


def test_one_of_substance_label_and_grade() -> None:
    grade = Grade(0, 52, 34)
    refused("substance", mass_g=1.0)
    refused("substance", **KNO3, label={"Fe": 0.1}, mass_g=1.0)
    refused("substance", **KNO3, grade=grade, mass_g=1.0)
    refused("substance", label={"Fe": 0.1}, grade=grade, mass_g=1.0)


def test_levels_and_rise_add_up_to_what_a_ceiling_is_held_against() -> None:
    """10 mg/L NO3-N is 44.3 mg/L NO3 (Camargo, Alonso & Salamanca 2005)."""
    below = dose(100.0, **KNO3, ion="NO3", rise_mg_l=20.0, levels=[IonLevel("NO3", 24.0)])
    above = dose(100.0, **KNO3, ion="NO3", rise_mg_l=20.0, levels=[IonLevel("NO3", 24.5)])
    assert below.over == ()
    assert [(one.ion, one.mg_l) for one in above.over] == [("NO3", pytest.approx(44.5))]


def test_a_bottle_holds_as_many_doses_as_go_into_it() -> None:
    found = dose(100.0, **KNO3, mass_g=2.0, bottle=Bottle(500.0, 10.0))
    assert found.bottle_mass_g == pytest.approx(100.0)
    assert dose(100.0, **KNO3, mass_g=2.0).bottle_mass_g is None


def test_a_salt_named_twice_counts_twice() -> None:
    """KNO3 is 61.33 % NO3 (IUPAC masses): 10 + 15 g in 500 mL, 1 mL in 100 L adds 0.3067 mg/L."""
    twice = [Salt("KNO3", 10.0), Salt("KNO3", 15.0)]
    found = stock_dose(100.0, salts=twice, bottle_ml=500.0, dose_ml=1.0)
    assert {one.ion: one.mg_l for one in found.rises}["NO3"] == pytest.approx(0.3067, abs=1e-4)
    for both in ({}, {"dose_ml": 1.0, "ion": "NO3", "rise_mg_l": 1.0}):
        with pytest.raises(OutOfRangeError, match=r"dose_ml is .*; allowed: this or rise"):
            stock_dose(100.0, salts=twice, bottle_ml=500.0, **both)


def test_a_dose_larger_than_its_bottle_is_said() -> None:
    """600 mL of a bottle of 500."""
    found = dose(100, substance="KNO3", mass_g=1.0, bottle=Bottle(500, 600))
    assert any("600 mL, is larger than the bottle, 500 mL" in one for one in found.cautions)
    stock = stock_dose(200, salts=[Salt("KNO3", 5.0)], bottle_ml=500, ion="NO3", rise_mg_l=50)
    assert stock.dose_ml > 500
    assert any("is larger than the bottle, 500 mL" in one for one in stock.cautions)
    fitting = stock_dose(200, salts=[Salt("KNO3", 50.0)], bottle_ml=500, dose_ml=20)
    assert not any("larger than the bottle" in one for one in fitting.cautions)


@pytest.mark.parametrize("ion", ["NH4", "NH3", "urea"])
def test_a_label_with_ammonium_is_said_to_be_poisonous(ion: str) -> None:
    """Un-ionised ammonia harms gills from 0.05 mg/L N (Francis-Floyd et al., UF/IFAS FA16)."""
    found = dose(100, label={ion: 0.2, "K": 0.1}, mass_g=1.0)
    assert any("ammonia" in one and "poison" in one for one in found.cautions)


def test_carbonate_raises_kh_by_two_equivalents() -> None:
    """K2CO3, 138.205 g/mol (IUPAC masses): 1.38205 g in 100 L are 0.2 meq/L."""
    label = {"K": 2 * 39.098 / 138.205, "CO3": 60.008 / 138.205}
    found = dose(100, label=label, mass_g=1.38205)
    assert found.kh_rise_meq_l == pytest.approx(0.2, rel=1e-4)


def test_a_dose_that_moves_kh_too_far_is_said() -> None:
    """0.5 meq/L is 1.4 dKH; one a day is the most with fish in the tank (common practice)."""
    found = dose(100, substance="KHCO3", mass_g=0.05 * 100.115)
    assert any("raise KH by no more than 1 dKH a day" in one for one in found.cautions)
    little = dose(100, substance="KHCO3", mass_g=0.02 * 100.115)
    assert not any("dKH a day" in one for one in little.cautions)
    bottle = stock_dose(100, salts=[Salt("KHCO3", 100)], bottle_ml=1000, dose_ml=50)
    assert any("raise KH by no more than 1 dKH a day" in one for one in bottle.cautions)
