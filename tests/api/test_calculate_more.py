"""The other calculations over HTTP: against published values, and refusals that name the field.

The science itself is tested in tests/science; here its way through the API.
"""

from __future__ import annotations

import pytest

from service.api.http.openapi import spec_of
from tests.api.conftest import problem_of


def q(value, unit):
    return {"value": value, "unit": unit}


@pytest.fixture
def calculate(client):
    def ask(name, body):
        response = client.post(f"/v1/calculate/{name}", json=body)
        assert response.status_code == 200, response.get_data(as_text=True)
        return response.get_json()

    return ask


def test_every_example_of_the_document_works(app, client):
    tried = 0
    for path, item in spec_of(app)["paths"].items():
        if path.startswith("/v1/calculate/"):
            example = item["post"]["requestBody"]["content"]["application/json"]["example"]
            assert client.post(path, json=example).status_code == 200, path
            tried += 1
    assert tried >= 13


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


def test_blend_mix_reuse(calculate):
    blend = calculate(
        "blend",
        {
            "tap": {"kh": q(12, "dKH"), "gh": q(16, "dGH")},
            "target": {"kh": q(4, "dKH"), "gh": q(6, "dGH")},
            "volume": q(90, "L"),
        },
    )
    assert blend["tap_share"]["value"] == pytest.approx(100 / 3)
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


def test_gases_and_ammonia(calculate):
    """APHA 4500-O / Benson & Krause 1984: 8.263 mg/L O2 at 25 °C; Emerson et al. 1975: 5.366 %."""
    gases = calculate("gases", {"temperature": q(77, "degF")})
    assert gases["oxygen"]["value"] == pytest.approx(8.263, abs=2e-3)
    # Weiss 1974, 420 ppm: 0.610 mg/L at 25 °C
    assert gases["co2_outdoors"]["value"] == pytest.approx(0.610, abs=3e-3)
    high = calculate("gases", {"temperature": q(25, "Cel"), "altitude": q(1, "km")})
    assert high["oxygen"]["value"] < 7.5
    ammonia = calculate("ammonia", {"total": q(1, "mg/L"), "ph": 8.0, "temperature": q(25, "Cel")})
    assert ammonia["share"]["value"] == pytest.approx(5.366, abs=0.01)


def test_light(calculate):
    """DLI = PPFD * 3600 * h / 1e6; sunlight is 54 lx per umol/m2/s (Thimijan & Heins 1983)."""
    sun = calculate(
        "light",
        {"illuminance": q(5.4, "klx"), "source": "sunlight", "photoperiod": "PT10H"},
    )
    assert sun["ppfd"]["value"] == pytest.approx(100)
    assert sun["dli"] == q(pytest.approx(3.6), "mol/m2/d")
    deep = calculate("light", {"ppfd": q(100, "umol/m2/s"), "depth": q(40, "cm"), "attenuation": 1})
    assert deep["ppfd_at_depth"]["value"] == pytest.approx(100 * 0.98 * 2.718281828**-0.4, rel=1e-3)
    assert (deep["dli"], deep["umol_per_lux"]) == (None, None)


def test_electrode(calculate):
    """Nernst: 59.159 mV per pH at 25 °C; technical buffers 7.00 and 4.01."""
    answer = calculate(
        "electrode",
        {
            "points": [
                {"buffer": "7.00", "reading": q(0, "mV")},
                {"buffer": "4.01", "reading": q(0.176885, "V")},
            ],
            "reading": q(59.159, "mV"),
        },
    )
    assert answer["nernst"] == pytest.approx(59.159, abs=1e-3)
    assert answer["slope"]["value"] == pytest.approx(100, abs=0.01)
    assert answer["ph"]["value"] == pytest.approx(6, abs=1e-3)
    assert (answer["state"], answer["reasons"]) == ("good", [])
    old = [{"buffer": "7.00", "reading": q(70, "mV")}, {"buffer": "4.01", "reading": q(180, "mV")}]
    assert calculate("electrode", {"points": old})["state"] == "replace"


LITRES = q(100, "L")
GRAM = q(1, "g")
KNO3 = {"substance": "KNO3", "volume": LITRES}
WATER = {"ph": 7, "kh": q(4, "dKH"), "temperature": q(25, "Cel")}


@pytest.mark.parametrize(
    ("name", "body", "pointer"),
    [
        (
            "ph",
            {"co2": q(-1, "mg/L"), "kh": q(4, "dKH"), "temperature": q(25, "Cel")},
            "/co2/value",
        ),
        ("kh", {"co2": q(1, "mg/L"), "ph": 15, "temperature": q(25, "Cel")}, "/ph"),
        (
            "bicarbonate",
            {"volume": q(0, "L"), "kh": q(1, "dKH"), "target": q(2, "dKH")},
            "/volume/value",
        ),
        ("dose", {"volume": LITRES, "mass": GRAM}, "/substance"),
        (
            "dose",
            {"substance": "KNO3", "label": {"Fe": 0.1}, "volume": LITRES, "mass": GRAM},
            "/substance",
        ),
        ("dose", {"substance": "salt", "volume": LITRES, "mass": GRAM}, "/substance"),
        ("dose", {"label": {"Fe": 2}, "volume": LITRES, "mass": GRAM}, "/label"),
        ("dose", {"label": {"Fe": 0.7, "K": 0.7}, "volume": LITRES, "mass": GRAM}, "/label"),
        ("dose", {"substance": "KNO3", "volume": LITRES}, "/mass"),
        (
            "dose",
            {"substance": "KNO3", "volume": LITRES, "rise": q(1, "mg/L"), "ion": "Fe"},
            "/ion",
        ),
        ("water-change", {"fraction": q(0, "%")}, "/fraction/value"),
        ("water-change", {"fraction": q(50, "%"), "tank": WATER}, "/new"),
        (
            "water-change",
            {"fraction": q(50, "%"), "tank": WATER | {"gh": q(1, "dGH")}, "new": WATER},
            "/new/gh",
        ),
        (
            "water-change",
            {
                "fraction": q(50, "%"),
                "substances": [
                    {"name": "x", "tank": q(1, "mg/L"), "new": q(2, "mg/L"), "target": q(9, "mg/L")}
                ],
            },
            "/substances/0/target",
        ),
        (
            "water-change",
            {
                "fraction": q(100, "%"),
                "substances": [
                    {"name": "x", "tank": q(2, "mg/L"), "new": q(2, "mg/L"), "target": q(1, "mg/L")}
                ],
            },
            "/substances/0/target",
        ),
        (
            "mix",
            {"volume": LITRES, "target": q(60, "Cel"), "cold": q(10, "Cel"), "hot": q(50, "Cel")},
            "/target",
        ),
        ("gases", {"temperature": q(60, "Cel")}, "/temperature/value"),
        ("light", {}, "/illuminance"),
        ("light", {"illuminance": q(1, "lx"), "source": "candle"}, "/source"),
        (
            "light",
            {"illuminance": q(1, "lx"), "source": "sunlight", "umol_per_lux": 1},
            "/umol_per_lux",
        ),
        ("electrode", {"points": []}, "/points"),
        (
            "electrode",
            {"buffers": "nist", "points": [{"buffer": "7.00", "reading": q(0, "mV")}]},
            "/points/0/buffer",
        ),
    ],
)
def test_refusals(client, name, body, pointer):
    found = problem_of(client.post(f"/v1/calculate/{name}", json=body), 422, "invalid-input")
    assert pointer in [error["pointer"] for error in found["errors"]], found["detail"]
