"""``POST /v1/calculate/dose``: salts, labels and bottles."""

from __future__ import annotations

import pytest

from tests.api.calculate.conftest import q


def test_dose(calculate):
    """KNO3 is 61.33 % NO3 and 38.67 % K by mass (IUPAC molar masses)."""
    body = {"substance": "KNO3", "volume": q(180, "L"), "ion": "NO3", "rise": q(10, "mg/L")}
    answer = calculate("dose", body)
    assert answer["mass"] == q(pytest.approx(10 * 180 / 1000 / 0.6133, rel=1e-4), "g")
    rises = {one["ion"]: one["rise"]["value"] for one in answer["rises"]}
    assert rises == {"NO3": pytest.approx(10), "K": pytest.approx(10 * 38.67 / 61.33, rel=1e-3)}
    back = calculate("dose", {"substance": "KNO3", "volume": q(180, "L"), "mass": answer["mass"]})
    assert {one["ion"]: one["rise"]["value"] for one in back["rises"]} == pytest.approx(rises)


def test_dose_ceilings_labels_and_bottles(calculate):
    body = {"substance": "KNO3", "volume": q(100, "L"), "ion": "NO3", "rise": q(20, "mg/L")}
    over = calculate("dose", body | {"levels": [{"ion": "NO3", "level": q(40, "mg/L")}]})["over"]
    assert [one["ion"] for one in over] == ["NO3"]
    assert over[0]["level"]["value"] == pytest.approx(60)
    # 10 mg/L NO3-N, Camargo, Alonso & Salamanca 2005
    assert over[0]["ceiling"]["value"] == pytest.approx(44.27, abs=0.01)
    bottle = {"volume": q(500, "mL"), "dose": q(10, "mL")}
    strong = calculate("dose", body | {"bottle": bottle})
    assert strong["bottle_mass"]["value"] == pytest.approx(strong["mass"]["value"] * 50)
    assert any("dissolves" in caution for caution in strong["cautions"])
    iron = calculate("dose", {"label": {"Fe": 0.1}, "volume": q(100, "L"), "mass": q(100, "mg")})
    assert iron["rises"] == [{"ion": "Fe", "rise": q(pytest.approx(0.1), "mg/L")}]


def test_stock_solution_by_hand(calculate):
    """25 g KNO3 (61.33 % NO3, IUPAC masses) in 500 mL: 1 mL in 100 L adds 0.3067 mg/L NO3."""
    bottle = {
        "salts": [{"substance": "KNO3", "mass": q(25, "g")}],
        "bottle": q(500, "mL"),
        "volume": q(100, "L"),
    }
    wanted = calculate("stock", bottle | {"ion": "NO3", "rise": q(3.067, "mg/L")})
    assert wanted["dose"] == q(pytest.approx(10, abs=0.01), "mL")
    added = calculate("stock", bottle | {"dose": q(1, "mL")})
    rises = {one["ion"]: one["rise"]["value"] for one in added["rises"]}
    assert rises["NO3"] == pytest.approx(0.3067, abs=1e-4)
    gypsum = {"substance": "CaSO4.2H2O", "mass": q(1, "g")}
    salts = [gypsum, {"substance": "KH2PO4", "mass": q(1, "g")}]
    cautions = calculate("stock", bottle | {"salts": salts, "dose": q(1, "mL")})["cautions"]
    assert any("precipitates" in caution for caution in cautions)


def test_dose_by_grade(calculate):
    """0-52-34 is how pure KH2PO4 is sold: 69.79 % PO4 and 28.73 % K by IUPAC masses."""
    grade = {"n": 0, "p2o5": 52, "k2o": 34}
    found = calculate("dose", {"grade": grade, "volume": q(100, "L"), "mass": q(1, "g")})
    rises = {one["ion"]: one["rise"]["value"] for one in found["rises"]}
    assert rises["PO4"] == pytest.approx(6.979, abs=0.05)
    assert rises["K"] == pytest.approx(2.873, abs=0.06)
