"""Gas exchange and what-if over HTTP, on a series made from a known exchange."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.clock import to_us
from service.science.carbonate import ph_for_co2
from service.store import Reading
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

URL = "/v1/tanks/riffle"
K_PER_H = 0.35
INJECTION_MG_L_H = 9.0


@pytest.fixture
def known(client, context):
    """Ten days: gas from 08:00 to 17:00, first-order loss to 3 mg/L, at 20 °C; some noise."""
    put(
        client,
        photoperiod={"lights_on": "10:00", "length": "PT8H", "gas_on": "08:00", "gas_off": "17:00"},
    )
    rng = np.random.default_rng(1)
    times = [NOW - timedelta(days=10) + timedelta(minutes=5 * step) for step in range(10 * 288)]
    co2, course = 3.0, []
    for time in times:
        level = 3.0 + (INJECTION_MG_L_H / K_PER_H if 8 <= time.hour < 17 else 0.0)
        co2 = level + (co2 - level) * np.exp(-K_PER_H / 12)
        course.append(co2)
    ph = ph_for_co2(np.array(course), 4 * 0.356652, 20.0) + rng.normal(0, 0.005, len(times))
    celsius = 20.0 + rng.normal(0, 0.02, len(times))
    readings = []
    for time, acid, warm in zip(times, ph.tolist(), celsius.tolist(), strict=True):
        at = to_us(time)
        readings += [
            Reading("riffle", "ph", "p", at, acid),
            Reading("riffle", "temperature", "t", at, warm),
            Reading("riffle", "illuminance", "l", at, 9000.0 if 10 <= time.hour < 18 else 2.0),
        ]
    context.store.write(readings)


def test_fitted(client, known):
    answer = client.get(f"{URL}/gas-exchange").get_json()
    assert answer["k20"]["value"] == pytest.approx(K_PER_H, rel=0.15)
    assert answer["k20"]["low"] < K_PER_H < answer["k20"]["high"]
    assert answer["k20"]["unit"] == "/h"
    assert answer["injection"]["value"] == pytest.approx(INJECTION_MG_L_H, rel=0.2)
    assert answer["nights"] >= 5
    assert answer["lead"]["unit"] == "h"
    assert answer["gas_per_day"]["value"] == pytest.approx(9 * 9 * 182.25 / 1000, rel=0.25)
    assert [one["content"]["value"] for one in answer["cylinders"]] == [500, 2000]
    assert any("pressure" in caution for caution in answer["cautions"])


def test_without_a_series_it_says_why(client):
    put(client)
    answer = client.get(f"{URL}/gas-exchange").get_json()
    assert (answer["k20"], answer["injection"], answer["cylinders"]) == (None, None, [])
    assert answer["reasons"]
    problem_of(client.get("/v1/tanks/none/gas-exchange"), 404, "not-found")


def test_what_if_more_gas(client, known):
    answer = client.post(f"{URL}/what-if", json={"injection_factor": 1.5})
    assert answer.status_code == 200, answer.get_data(as_text=True)
    body = answer.get_json()
    assert body["changed"]["co2_peak"]["value"] > body["today"]["co2_peak"]["value"]
    assert body["today"]["photoperiod"] == {"value": pytest.approx(8, abs=0.1), "unit": "h"}
    assert body["changed"]["gas"]["value"] > body["today"]["gas"]["value"]


def test_what_if_refusals(client):
    put(client)
    problem_of(client.post(f"{URL}/what-if", json={}), 409, "conflict")
    for body, pointer in (
        ({"injection_factor": 9}, "/injection_factor"),
        ({"gas_on": "26:00"}, "/gas_on"),
        ({"added": [{"count": 1}]}, "/added/0/species"),
        ({"wind": 1}, "/wind"),
    ):
        found = problem_of(client.post(f"{URL}/what-if", json=body), 422, "invalid-input")
        assert found["errors"][0]["pointer"] == pointer
