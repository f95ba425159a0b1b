"""All rows of the table: examples that work, refusals that name the field."""

from __future__ import annotations

import pytest

from service.api.http.openapi import spec_of
from tests.api.calculate.conftest import q
from tests.api.conftest import problem_of


def test_every_example_of_the_document_works(app, client):
    tried = 0
    for path, item in spec_of(app)["paths"].items():
        if path.startswith("/v1/calculate/"):
            example = item["post"]["requestBody"]["content"]["application/json"]["example"]
            assert client.post(path, json=example).status_code == 200, path
            tried += 1
    assert tried >= 13


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
        (
            "carbonate-kh",
            {"kh": q(4, "dKH"), "ph": 7, "temperature": q(24, "Cel"), "boron": q(-1, "mg/L")},
            "/boron/value",
        ),
        ("dose", {"volume": LITRES, "mass": GRAM}, "/substance"),
        (
            "dose",
            {"substance": "KNO3", "label": {"Fe": 0.1}, "volume": LITRES, "mass": GRAM},
            "/substance",
        ),
        ("dose", {"substance": "salt", "volume": LITRES, "mass": GRAM}, "/substance"),
        ("dose", {"label": {"Fe": 2}, "volume": LITRES, "mass": GRAM}, "/label"),
        ("dose", {"label": {"F" * 21: 0.1}, "volume": LITRES, "mass": GRAM}, "/label"),
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
            {"buffers": "nist", "points": 2 * [{"buffer": "7.00", "reading": q(0, "mV")}]},
            "/points/0/buffer",
        ),
    ],
)
def test_refusals(client, name, body, pointer):
    found = problem_of(client.post(f"/v1/calculate/{name}", json=body), 422, "invalid-input")
    assert pointer in [error["pointer"] for error in found["errors"]], found["detail"]


def test_a_sum_of_shares_above_one_is_given_without_left_over_digits(client):
    body = {"label": {"Fe": 0.7, "K": 0.6}, "volume": LITRES, "mass": GRAM}
    found = problem_of(client.post("/v1/calculate/dose", json=body), 422, "invalid-input")
    assert found["detail"] == "/label is 1.3; allowed: sum of mass fractions: a number up to 1"
