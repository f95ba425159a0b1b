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
