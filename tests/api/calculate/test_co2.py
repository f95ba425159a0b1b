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
        "target",
        "state",
        "rule_of_thumb",
        "rule_of_thumb_method",
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
