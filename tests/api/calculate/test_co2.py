"""``POST /v1/calculate/co2``: right values in any unit, refusals that name the field."""

from __future__ import annotations

import json

import pytest

from tests.api.conftest import problem_of

CO2 = {
    "ph": 6.8,
    "kh": {"value": 4, "unit": "dKH"},
    "temperature": {"value": 25, "unit": "Cel"},
}


def test_co2_vs_phreeqc(client):
    """PHREEQC (phreeqc.dat), KHCO3 water, 25 °C, 4 dKH, pH 6.8: 21.4413 mg/L CO2(aq)."""
    answer = client.post("/v1/calculate/co2", json=CO2).get_json()
    assert answer["co2"]["value"] == pytest.approx(21.4413, rel=5e-4)
    assert answer["co2"]["low"] < answer["co2"]["value"] < answer["co2"]["high"]
    assert answer["co2"]["unit"] == "mg/L"
    assert answer["state"] == "within"


def test_co2_golden_shape(client):
    answer = client.post("/v1/calculate/co2", json=CO2).get_json()
    assert list(answer) == [
        "co2",
        "method",
        "inputs",
        "carbonate_kh",
        "errors",
        "target",
        "state",
        "rule_of_thumb",
        "rule_of_thumb_method",
        "assumptions",
        "reasons",
    ]
    assert answer["inputs"] == {
        "ph": {"value": 6.8, "unit": "[pH]"},
        "kh": {
            "value": pytest.approx(4 * 0.356652, rel=1e-5),
            "unit": "meq/L",
            "display": {"value": pytest.approx(4), "unit": "dKH"},
        },
        "temperature": {"value": 25.0, "unit": "Cel"},
    }
    assert answer["target"] == {"low": 20.0, "high": 30.0, "unit": "mg/L"}
    assert answer["reasons"] == []
    # common practice, no source: 3 * KH * 10^(7 - pH)
    assert answer["rule_of_thumb"]["value"] == pytest.approx(3 * 4 * 10**0.2)


@pytest.mark.parametrize(
    "same",
    [
        {"temperature": {"value": 77, "unit": "degF"}},
        {"temperature": {"value": 298.15, "unit": "K"}},
        {"kh": {"value": 4 * 17.848, "unit": "ppm CaCO3"}},
        {"kh": {"value": 4 * 0.356652, "unit": "meq/L"}},
        {"ph": {"value": 6.8, "unit": "pH"}},
    ],
)
def test_co2_is_the_same_in_other_units(client, same):
    expected = client.post("/v1/calculate/co2", json=CO2).get_json()["co2"]["value"]
    answer = client.post("/v1/calculate/co2", json=CO2 | same).get_json()
    assert answer["co2"]["value"] == pytest.approx(expected, rel=1e-4)


def test_co2_is_unknown_where_there_is_no_carbonate(client):
    question = CO2 | {"ph": 11.5, "kh": {"value": 0.1, "unit": "dKH"}}
    answer = client.post("/v1/calculate/co2", json=question).get_json()
    assert answer["co2"] is None
    assert answer["state"] == "unknown"
    assert answer["reasons"]


def test_the_errors_in_force_are_said(client):
    """A whole degree and ±0.1 where nobody tells; as told where somebody does."""
    answer = client.post("/v1/calculate/co2", json=CO2).get_json()
    assert answer["errors"]["ph"] == {"value": 0.1, "unit": "[pH]"}
    assert answer["errors"]["kh"]["display"]["value"] == pytest.approx(1)
    assert answer["errors"]["temperature"] == {"value": 0.5, "unit": "K"}
    assert "it is not known how it was tested" in answer["assumptions"][0]
    told = {
        "ph_error": {"value": 0.02, "unit": "[pH]"},
        "kh_error": {"value": 0.1, "unit": "dKH"},
        "temperature_error": {"value": 0.1, "unit": "K"},
        "gh": {"value": 6, "unit": "dGH"},
    }
    narrow = client.post("/v1/calculate/co2", json=CO2 | told).get_json()
    assert narrow["errors"]["kh"]["display"]["value"] == pytest.approx(0.1)
    assert narrow["assumptions"] == []
    width, before = (one["co2"]["high"] / one["co2"]["low"] for one in (narrow, answer))
    assert width < 1.25 < 1.6 < before


def test_a_counted_kh_is_taken_by_its_middle(client):
    """4 drops of 1 dKH: 3.5 / 4 of the 21.44 mg/L of PHREEQC; of 7 half drops 3.25 / 4."""
    counted = {"kh_kit": {"method": "drops"}}
    answer = client.post("/v1/calculate/co2", json=CO2 | counted).get_json()
    assert answer["co2"]["value"] == pytest.approx(21.4413 * 3.5 / 4, rel=4e-3)
    assert answer["inputs"]["kh"]["display"]["value"] == pytest.approx(4)
    assert answer["carbonate_kh"]["value"] == pytest.approx(3.5 * 0.356652, rel=1e-5)
    assert "3.5 dKH is taken" in answer["assumptions"][0]
    doubled = {"kh_kit": {"method": "drops", "sample": {"value": 10, "unit": "mL"}}}
    kh = {"value": 3.5, "unit": "dKH"}
    answer = client.post("/v1/calculate/co2", json=CO2 | {"kh": kh} | doubled).get_json()
    assert answer["carbonate_kh"]["value"] == pytest.approx(3.25 * 0.356652, rel=1e-5)


def test_phosphate_and_humic_acids_are_taken_off(client):
    """2 mg/L of phosphate at KH 1 and pH 6.8: 0.0211 mmol/L x 0.36 (pKa2 7.2, less 0.05 for
    activity): about 0.007 meq/L of 0.357. 15 mg/L of humic carbon: 0.15 meq/L x 0.31."""
    kh = {"kh": {"value": 1, "unit": "dKH"}, "kh_error": {"value": 0.05, "unit": "dKH"}}
    plain = client.post("/v1/calculate/co2", json=CO2 | kh).get_json()
    fed = {"po4": {"value": 2, "unit": "mg/L"}}
    brown = {"organic_carbon": {"value": 15, "unit": "mg/L"}}
    with_phosphate = client.post("/v1/calculate/co2", json=CO2 | kh | fed).get_json()
    assert 0.015 < 1 - with_phosphate["co2"]["value"] / plain["co2"]["value"] < 0.03
    with_humic = client.post("/v1/calculate/co2", json=CO2 | kh | brown).get_json()
    assert 0.10 < 1 - with_humic["co2"]["value"] / plain["co2"]["value"] < 0.16
    assert "not carbonate" in with_humic["assumptions"][-1]
    assert with_humic["inputs"]["organic_carbon"] == {"value": 15.0, "unit": "mg/L"}
    # nothing but phosphate and humic acids in the KH
    least = {"kh": {"value": 0.1, "unit": "dKH"}, "kh_error": {"value": 0, "unit": "dKH"}}
    assert client.post("/v1/calculate/co2", json=CO2 | least | brown).status_code == 200


@pytest.mark.parametrize(
    ("question", "words"),
    [
        ({"ph": 4.0}, "more than water holds under pure CO2"),
        ({"ph": 6.0}, "more than planted tanks are run at"),
        (
            {
                "kh": {"value": 10, "unit": "dKH"},
                "conductivity": {"value": 20, "unit": "uS/cm"},
                "ph": 7.2,
            },
            "KH 10 dKH alone conducts about 304 uS/cm, yet 20 uS/cm",
        ),
        (
            {
                "gh": {"value": 15, "unit": "dGH"},
                "conductivity": {"value": 200, "unit": "uS/cm"},
                "ph": 7.2,
            },
            "GH 15 dGH alone conducts",
        ),
    ],
)
def test_a_result_out_of_sense_carries_its_reason(client, question, words):
    answer = client.post("/v1/calculate/co2", json=CO2 | question).get_json()
    assert any(words in one for one in answer["reasons"]), answer["reasons"]


def test_numbers_are_not_rounded(client):
    text = client.post("/v1/calculate/co2", json=CO2).get_data(as_text=True)
    assert len(str(json.loads(text)["co2"]["value"]).replace(".", "")) >= 10


@pytest.mark.parametrize(
    ("change", "slug", "pointer", "said"),
    [
        ({"ph": "x"}, "invalid-input", "/ph", "'x'"),
        ({"ph": 13}, "invalid-input", "/ph", "2 to 12"),
        ({"ph": True}, "invalid-input", "/ph", "true"),
        ({"ph": None}, "invalid-input", "/ph", "null"),
        ({"kh": 4}, "invalid-input", "/kh", "unit"),
        ({"kh": {"value": -1, "unit": "dKH"}}, "invalid-input", "/kh/value", "0 to 50"),
        ({"kh": {"value": 1, "unit": "zorg"}}, "unknown-unit", "/kh/unit", "'zorg'"),
        ({"kh": {"value": 1, "unit": "Cel"}}, "unknown-unit", "/kh/unit", "dKH"),
        ({"kh": {"value": 1}}, "invalid-input", "/kh/unit", "missing"),
        (
            {"kh": {"value": 1, "unit": "dKH", "sd": 1}},
            "invalid-input",
            "/kh/sd",
            "not known",
        ),
        (
            {"temperature": {"value": 1e999, "unit": "Cel"}},
            "malformed-request",
            None,
            "Infinity",
        ),
        ({"kg": 1}, "invalid-input", "/kg", "not known; allowed: ph, kh"),
        (
            {"target": {"low": 30, "high": 20, "unit": "mg/L"}},
            "invalid-input",
            "/target/high",
            "more than low",
        ),
        (
            {"conductivity": {"value": 9000, "unit": "uS/cm"}},
            "invalid-input",
            "/conductivity/value",
            "/conductivity/value is 9000.0 'uS/cm'; allowed: from 0 to 8000 uS/cm",
        ),
    ],
)
def test_co2_refusals(client, change, slug, pointer, said):
    response = client.post(
        "/v1/calculate/co2", data=json.dumps(CO2 | change), content_type="application/json"
    )
    body = problem_of(response, 400 if pointer is None else 422, slug)
    assert said in body["detail"]
    if pointer is not None:
        assert [error["pointer"] for error in body["errors"]] == [pointer]


def test_every_fault_is_told_at_once(client):
    body = problem_of(client.post("/v1/calculate/co2", json={"ph": 99}), 422, "invalid-input")
    assert {error["pointer"] for error in body["errors"]} == {"/ph", "/kh", "/temperature"}
