"""Water changes, blends, hot and cold water, old water for plants."""

from __future__ import annotations

import pytest

from tests.api.calculate.conftest import q


def test_water_change(calculate):
    """Half of 30 mg/L changed for 5 mg/L leaves 17.5; a mass balance."""
    answer = calculate(
        "water-change",
        {
            "fraction": q(50, "%"),
            "changes": 2,
            "volume": q(40, "gal"),
            "tank": {"ph": 6.6, "kh": q(4, "dKH"), "gh": q(6, "dGH"), "temperature": q(26, "Cel")},
            "new": {"ph": 7.6, "kh": q(6, "dKH"), "gh": q(8, "dGH"), "temperature": q(20, "Cel")},
            "substances": [
                {
                    "name": "nitrate",
                    "tank": q(30, "mg/L"),
                    "new": q(5, "mg/L"),
                    "target": q(10, "mg/L"),
                    "rise": q(10, "mg/L"),
                }
            ],
        },
    )
    assert answer["water_changed"]["value"] == pytest.approx(20 * 3.785411784)
    water = answer["water"]
    assert water["temperature"]["value"] == pytest.approx(23)
    assert water["kh"]["display"]["value"] == pytest.approx(5)
    assert water["gh"]["display"]["value"] == pytest.approx(7)
    assert 6.6 < water["ph"]["value"] < 7.6
    assert water["co2"]["unit"] == "mg/L"
    (nitrate,) = answer["substances"]
    assert nitrate["after"]["value"] == pytest.approx(11.25)
    assert nitrate["fraction"]["value"] == pytest.approx(100 * (1 - 0.2**0.5))
    assert nitrate["changes"] == 3
    assert nitrate["settles"] == {
        "low": pytest.approx(15),
        "high": pytest.approx(25),
        "unit": "mg/L",
    }


def test_gh_in_mmol_is_that_of_calcium_and_magnesium(calculate):
    """2.5 mmol/L of Ca and Mg are 14 °dH (DIN 38409-6); an acid capacity of 1 mmol/L is 2.8 dKH."""
    hardness = {"kh": q(1, "mmol/L"), "gh": q(2.5, "mol/m3")}
    answer = calculate("blend", {"tap": hardness, "target": hardness})
    assert answer["gh"]["display"]["value"] == pytest.approx(14, rel=3e-3)
    assert answer["kh"]["display"]["value"] == pytest.approx(2.804, rel=3e-3)


def test_blend_mix_reuse(calculate):
    blend = calculate(
        "blend",
        {
            "tap": {"kh": q(12, "dKH"), "gh": q(16, "dGH")},
            "target": {"kh": q(4, "dKH"), "gh": q(6, "dGH")},
            "volume": q(90, "L"),
        },
    )
    assert blend["tap_fraction"]["value"] == pytest.approx(100 / 3)
    assert blend["tap"]["value"] == pytest.approx(30)
    assert blend["gh_short"]["display"]["value"] == pytest.approx(6 - 16 / 3)
    mix = calculate(
        "mix",
        {"volume": q(40, "L"), "target": q(20, "Cel"), "cold": q(10, "Cel"), "hot": q(50, "Cel")},
    )
    assert (mix["hot"]["value"], mix["cold"]["value"]) == (pytest.approx(10), pytest.approx(30))
    assert any("copper" in caution for caution in mix["cautions"])
    salted = calculate("reuse", {"volume": q(40, "L"), "salt_added": True, "medicated": False})
    assert (salted["verdict"], salted["volume"]["value"]) == ("unfit", 0)
