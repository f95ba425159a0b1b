"""pH, KH and bicarbonate over HTTP, against published values and each other."""

from __future__ import annotations

import pytest

from tests.api.calculate.conftest import q


def test_ph_and_kh_undo_each_other_and_agree_with_co2(calculate):
    """PHREEQC (phreeqc.dat), KHCO3 water, 25 °C, 4 dKH, pH 6.8: 21.4413 mg/L CO2(aq)."""
    water = {"co2": q(21.4413, "mg/L"), "temperature": q(25, "Cel")}
    ph = calculate("ph", water | {"kh": q(4, "dKH")})["ph"]["value"]
    assert ph == pytest.approx(6.8, abs=5e-4)
    kh = calculate("kh", water | {"ph": 6.8})["kh"]
    assert kh["display"]["value"] == pytest.approx(4, rel=1e-3)


def test_ph_out_of_reach_is_null_with_a_reason(calculate):
    answer = calculate(
        "ph", {"co2": q(900, "mg/L"), "kh": q(0, "dKH"), "temperature": q(25, "Cel")}
    )
    assert answer["ph"] is None or answer["ph"]["value"] > 2
    acid = calculate("kh", {"co2": q(0, "mg/L"), "ph": 3, "temperature": q(25, "Cel")})
    assert acid["kh"] is None
    assert acid["reasons"]


def test_carbonate_part_of_a_kh_test(calculate):
    """Half of borate is charged at its pKa of 9.24 (CRC Handbook, from memory): 0.5 meq/L of
    10.81 mg/L boron, a little more at the ionic strength of fresh water."""
    water = {"kh": q(1, "meq/L"), "ph": 9.24, "temperature": q(25, "Cel")}
    answer = calculate("carbonate-kh", water | {"boron": q(10.81, "mg/L")})
    assert answer["kh"]["value"] == pytest.approx(0.48, abs=0.03)
    assert answer["non_carbonate_fraction"] == q(pytest.approx(52, abs=3), "%")
    assert "is not carbonate" in answer["cautions"][0]
    plain = calculate("carbonate-kh", water)
    assert plain["kh"]["value"] == pytest.approx(1)
    assert (plain["non_carbonate_fraction"]["value"], plain["cautions"]) == (0, [])


def test_bicarbonate(calculate):
    """+1 dKH in 100 L: 2.996 g NaHCO3 or 3.571 g KHCO3 (IUPAC molar masses)."""
    body = {"volume": q(100, "L"), "kh": q(3, "dKH"), "target": q(4, "dKH")}
    assert calculate("bicarbonate", body)["mass"] == q(pytest.approx(2.996, abs=1e-3), "g")
    potassium = calculate("bicarbonate", body | {"salt": "KHCO3"})
    assert potassium["mass"]["value"] == pytest.approx(3.571, abs=1e-3)
    assert potassium["days"]["value"] == 1
    much = calculate("bicarbonate", body | {"target": q(6, "dKH")})
    assert much["days"]["value"] == 3
    assert "1 dKH a day" in much["cautions"][0]
    none = calculate("bicarbonate", body | {"target": q(2, "dKH")})
    assert (none["mass"]["value"], none["days"]["value"]) == (0, 0)
