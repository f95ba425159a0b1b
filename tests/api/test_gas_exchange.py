"""Gas exchange and what-if over HTTP, on a series made from a known exchange."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.registry.models.log import LogKind
from service.science.carbonate.co2 import ph_for_co2
from service.store import Reading
from service.times import to_us
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put
from tests.cli.conftest import littoral  # noqa: F401 - fixtures used here too
from tests.over_http import look, url  # noqa: F401 - fixtures used here too

URL = "/v1/tanks/riffle"
K_PER_H = 0.35
INJECTION_MG_L_H = 9.0


@pytest.fixture
def known(client, context):
    """Ten days: gas from 08:00 to 17:00, first-order loss to 3 mg/L, at 20 °C; some noise."""
    write_days(client, context)


def write_days(client, context, night: float = K_PER_H) -> None:
    """Ten days of one tank, with an exchange of its own while the gas is off."""
    put(
        client,
        light={"start": "10:00", "photoperiod": "PT8H"},
        gas={"start": "08:00", "end": "17:00"},
    )
    rng = np.random.default_rng(1)
    times = [NOW - timedelta(days=10) + timedelta(minutes=5 * step) for step in range(10 * 288)]
    co2, course = 3.0, []
    for time in times:
        gas = 8 <= time.hour < 17
        level = 3.0 + (INJECTION_MG_L_H / K_PER_H if gas else 0.0)
        co2 = level + (co2 - level) * np.exp(-(K_PER_H if gas else night) / 12)
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
    # without it the level of CO2 is not sure enough for a time to the target
    context.registry.add_log(
        "riffle", LogKind.CALIBRATION, NOW - timedelta(days=3), {"quantity": "ph"}
    )


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
    assert (answer["day_k20"], answer["day_begins"]) == (None, "gas")
    assert answer["reasons"] == []


def test_an_air_stone_at_night_is_no_reason_why_the_target_is_missed(client, context):
    """Four times the exchange at night; by day CO2 rises to 27 mg/L, above the target of 20."""
    write_days(client, context, night=4 * K_PER_H)
    answer = client.get(f"{URL}/gas-exchange").get_json()
    assert answer["k20"]["value"] == pytest.approx(4 * K_PER_H, rel=0.15)
    assert answer["day_k20"]["low"] < K_PER_H < answer["day_k20"]["high"]
    assert answer["lead"]["value"] == pytest.approx(np.log(25.7 / 8.7) / K_PER_H, rel=0.25)
    (reason,) = answer["reasons"]
    assert "times stronger at night than after the CO2 comes on" in reason


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


def test_what_if_tells_ph_and_the_course_of_the_day(client, known):
    """Twice the KH at the same CO2 is log10(2) more pH (definition of the equilibrium)."""
    body = client.post(f"{URL}/what-if", json={"kh": {"value": 8, "unit": "dKH"}}).get_json()
    today, changed = body["today"], body["changed"]
    assert changed["ph_lowest"]["value"] - today["ph_lowest"]["value"] == pytest.approx(
        np.log10(2), abs=0.02
    )
    assert today["ph_lowest"]["low"] < today["ph_lowest"]["value"] < today["ph_highest"]["value"]
    assert [one["at"] for one in today["hours"]] == [f"{hour:02d}:30" for hour in range(24)]
    noon, night = today["hours"][12], today["hours"][3]
    assert (noon["lit"], noon["gas"], night["lit"], night["gas"]) == (True, True, False, False)
    assert noon["co2"]["value"] > night["co2"]["value"]
    assert noon["ph"]["value"] < night["ph"]["value"]
    assert noon["ph"]["low"] < noon["ph"]["value"] < noon["ph"]["high"]
    assert (noon["ph"]["unit"], noon["temperature"]["unit"]) == ("[pH]", "Cel")


def test_what_if_carries_the_growing_day(client, known):
    """Less CO2 is a smaller share of what plants can use: C / (C + 4) by 30 / 34 (its source)."""
    body = client.post(f"{URL}/what-if", json={"injection_factor": 0.2}).get_json()
    today, changed = body["today"]["growing"], body["changed"]["growing"]
    assert [one["name"] for one in today["factors"]] == ["light", "co2", "temperature"]
    assert all(one["source"] for one in today["factors"])
    shares = [one["factors"][1]["fraction"]["value"] for one in (today, changed)]
    assert 0 < shares[1] < shares[0] <= 1
    assert today["limiting"] in ("", "light", "co2", "temperature")


def test_the_command_prints_both_days(client, known, littoral, url):  # noqa: F811
    done = littoral("what-if", "riffle", "--injection-factor", "1.5", "--url", url)
    assert done.code == 0, done.err
    assert "CO2 while lit, of what plants can use" in done.out and "what limits growth" in done.out
    more = ("--kh", "8", "--water-change-fraction", "30", "--water-change-every", "14d",
            "--animals", "Otocinclus vittatus=6", "--photoperiod", "7h", "--url", url)  # fmt: skip
    assert littoral("what-if", "riffle", *more).code == 0
    refused = littoral("what-if", "riffle", "--gas-start", "26:00", "--url", url)
    assert refused.code == 2 and "gas_start" in refused.err
    refused = littoral("what-if", "riffle", "--animals", "Otocinclus", "--url", url)
    assert refused.code == 2 and "such as" in refused.err


def test_what_if_the_first_animals_has_no_nitrate_to_compare_with(client, known):
    put(
        client,
        light={"start": "10:00", "photoperiod": "PT8H"},
        gas={"start": "08:00", "end": "17:00"},
        animals=[],
    )
    asked = {"animals": [{"species": "Otocinclus vittatus", "count": 6}]}
    body = client.post(f"{URL}/what-if", json=asked).get_json()
    assert body["changed"]["no3_ratio"] is None
    assert any("nitrate" in reason for reason in body["reasons"])


def test_what_if_refusals(client):
    put(client)
    problem_of(client.post(f"{URL}/what-if", json={}), 409, "conflict")
    for body, pointer in (
        ({"injection_factor": 9}, "/injection_factor"),
        ({"gas_start": "26:00"}, "/gas_start"),
        ({"animals": [{"count": 1}]}, "/animals/0/species"),
        ({"animals": [{"species": "White cloud", "count": 8}]}, "/animals/0/species"),
        ({"wind": 1}, "/wind"),
    ):
        found = problem_of(client.post(f"{URL}/what-if", json=body), 422, "invalid-input")
        assert found["errors"][0]["pointer"] == pointer
