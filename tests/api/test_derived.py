"""CO2, light and temperature of a tank over HTTP, on readings of known values."""

from __future__ import annotations

import pytest

from service.store import Flag
from tests.api.conftest import problem_of
from tests.api.scenes import day_of_readings, put, reading

TANK = "/v1/tanks/riffle"


@pytest.fixture
def watched(client, context):
    put(client)
    day_of_readings(context.store)


def test_co2_golden_shape(client, watched):
    """PHREEQC (phreeqc.dat), KHCO3 water, 25 °C, 4 dKH, pH 6.8: 21.4413 mg/L CO2(aq)."""
    answer = client.get(f"{TANK}/co2").get_json()
    assert answer == {
        "tank": "riffle",
        "time": "2025-06-04T12:00:00Z",
        "co2": {
            "value": pytest.approx(21.4413, rel=5e-4),
            "low": answer["co2"]["low"],
            "high": answer["co2"]["high"],
            "unit": "mg/L",
        },
        "method": answer["method"],
        # common practice, no source: 3 x 4 x 10^0.2
        "rule_of_thumb": {"value": pytest.approx(19.02, abs=0.01), "unit": "mg/L"},
        "rule_of_thumb_method": "3 x KH x 10^(7 - pH)",
        "inputs": {
            "ph": {
                "value": 6.8,
                "unit": "[pH]",
                "time": "2025-06-04T12:00:00Z",
                "sensor": "glass-1",
            },
            "kh": {
                "value": pytest.approx(1.426608, rel=1e-5),
                "unit": "meq/L",
                "display": {"value": pytest.approx(4), "unit": "dKH"},
                "estimate": {
                    "value": pytest.approx(1.426608, rel=1e-5),
                    "low": answer["inputs"]["kh"]["estimate"]["low"],
                    "high": answer["inputs"]["kh"]["estimate"]["high"],
                    "unit": "meq/L",
                },
                "time": "2025-06-01T00:00:00Z",
                "source": "registered with the tank",
            },
            "temperature": {
                "value": 25.0,
                "unit": "Cel",
                "time": "2025-06-04T12:00:00Z",
                "sensor": "wet-1",
            },
        },
        "target": {"low": 20.0, "high": 30.0, "unit": "mg/L"},
        # by pH and KH alone: as `co2`
        "weighed": {
            "co2": {
                "value": pytest.approx(answer["co2"]["value"], rel=1e-6),
                "low": pytest.approx(answer["co2"]["low"], rel=0.1),
                "high": pytest.approx(answer["co2"]["high"], rel=0.1),
                "unit": "mg/L",
            },
            "agree": True,
            "methods": answer["weighed"]["methods"],
            "narrow_by": answer["weighed"]["narrow_by"],
            "reasons": [],
        },
        "state": "within",
        "quality": answer["quality"],
        "reasons": answer["reasons"],
    }
    assert [one["method"] for one in answer["weighed"]["methods"]] == ["pH and KH"]
    assert ": the interval goes from ±" in answer["weighed"]["narrow_by"]
    assert answer["co2"]["low"] < answer["co2"]["value"] < answer["co2"]["high"]
    assert answer["quality"] in ("good", "suspect")
    assert list(answer) == [
        "tank",
        "time",
        "co2",
        "method",
        "rule_of_thumb",
        "rule_of_thumb_method",
        "inputs",
        "target",
        "weighed",
        "state",
        "quality",
        "reasons",
    ]


def test_without_any_sensor_all_is_unknown_with_reasons_never_a_crash(client):
    put(client, kh=None)
    co2 = client.get(f"{TANK}/co2").get_json()
    assert (co2["co2"], co2["state"], co2["time"]) == (None, "unknown", None)
    assert co2["weighed"] is None
    assert co2["inputs"] == {"ph": None, "kh": None, "temperature": None}
    assert any("pH" in reason for reason in co2["reasons"])
    assert any("KH" in reason for reason in co2["reasons"])
    temperature = client.get(f"{TANK}/temperature").get_json()
    assert (temperature["temperature"], temperature["state"]) == (None, "unknown")
    assert temperature["reasons"]
    light = client.get(f"{TANK}/light").get_json()
    assert light["photoperiod"] is None
    assert light["reasons"] == ["no light was measured on this day"]
    assert client.get(f"{TANK}/co2/series").get_json()["points"] == []
    assert client.get(f"{TANK}/temperature/excursions").get_json()["excursions"] == []


def test_a_stale_sensor_gives_no_number(client, context):
    put(client)
    context.store.write([reading("ph", 180, 6.8), reading("temperature", 180, 25.0)])
    co2 = client.get(f"{TANK}/co2").get_json()
    assert (co2["co2"], co2["state"], co2["quality"]) == (None, "unknown", "stale")
    temperature = client.get(f"{TANK}/temperature").get_json()
    assert (temperature["temperature"], temperature["quality"]) == (None, "stale")
    assert temperature["time"] == "2025-06-04T09:00:00Z"


def test_a_stuck_sensor_gives_no_number(client, context):
    put(client)
    context.store.write([reading("ph", minutes, 6.8, Flag.STUCK) for minutes in range(1, 60)])
    co2 = client.get(f"{TANK}/co2").get_json()
    assert (co2["co2"], co2["state"]) == (None, "unknown")
    assert any("stuck" in reason for reason in co2["reasons"])


def test_counted_drops_mean_half_a_drop_less(client, context):
    """4 drops of 1 dKH: more than 3 and up to 4; of 21.44 mg/L (PHREEQC) 3.5 / 4 are left."""
    put(client, kh_kit={"method": "drops"})
    day_of_readings(context.store)
    answer = client.get(f"{TANK}/co2").get_json()
    estimate = answer["inputs"]["kh"]["estimate"]
    assert answer["inputs"]["kh"]["display"]["value"] == pytest.approx(4)
    assert estimate["value"] == pytest.approx(3.5 * 0.356652, rel=1e-5)
    # 95 % of 400,000 draws of half a drop and 3 % of drop size lie within 0.535 dKH
    assert estimate["low"] == pytest.approx(2.965 * 0.356652, rel=0.01)
    assert estimate["high"] == pytest.approx(4.035 * 0.356652, rel=0.01)
    assert answer["co2"]["value"] == pytest.approx(21.4413 * 3.5 / 4, rel=4e-3)


def test_co2_series(client, watched):
    each = client.get(f"{TANK}/co2/series?start=2025-06-04T11:00:00Z").get_json()
    assert len(each["points"]) == 60
    assert each["points"][0]["value"] == pytest.approx(21.4413, rel=5e-4)
    assert (each["unit"], each["every"], each["next"]) == ("mg/L", None, None)
    hours = client.get(f"{TANK}/co2/series?every=1h").get_json()
    assert hours["every"] == "PT1H"
    assert len(hours["points"]) == 24
    points, url = [], f"{TANK}/co2/series?every=1h&limit=10"
    while url:
        page = client.get(url).get_json()
        points, url = points + page["points"], page["next"]
    assert points == hours["points"]


def test_co2_and_its_series_use_the_same_conductivity(client, context, watched):
    """More ions screen H+ and HCO3- alike: CO2 is lower by the activity of both (Debye-Hueckel)."""
    without = client.get(f"{TANK}/co2").get_json()["co2"]
    context.store.write(
        [reading("conductivity", minutes, 1500.0) for minutes in range(0, 24 * 60, 10)]
    )
    now = client.get(f"{TANK}/co2").get_json()["co2"]
    assert 0.85 * without["value"] < now["value"] < 0.95 * without["value"]
    for query in ("", "&every=5m"):
        series = client.get(f"{TANK}/co2/series?start=2025-06-04T11:00:00Z{query}").get_json()
        for point in series["points"]:
            assert [point[name] for name in ("value", "low", "high")] == pytest.approx(
                [now[name] for name in ("value", "low", "high")], rel=1e-6
            )


def test_newcomers_in_the_log_lower_the_target_of_co2_and_its_series(client, watched):
    stocked = {"kind": "stocking", "data": {"species": "Otocinclus vittatus", "count": 6}}
    usual = client.get(f"{TANK}/co2").get_json()["target"]["high"]
    response = client.post(f"{TANK}/log", json=stocked)
    assert response.status_code == 201, response.get_json()
    now, series = (client.get(f"{TANK}/co2{path}").get_json() for path in ("", "/series"))
    assert now["target"]["high"] == series["target"]["high"] == pytest.approx(0.8 * usual)


def test_co2_series_is_null_where_unknown(client, context):
    put(client, kh=None)
    day_of_readings(context.store)
    points = client.get(f"{TANK}/co2/series?every=6h").get_json()["points"]
    assert {point["value"] for point in points} == {None}


def test_light_golden_shape(client, watched):
    """The lamp came on at 08:00 and burns at 9000 lx: four hours, 36,000 lx h."""
    answer = client.get(f"{TANK}/light").get_json()
    assert list(answer) == [
        "tank",
        "date",
        "complete",
        "covered",
        "lit",
        "on",
        "off",
        "photoperiod",
        "photoperiod_range",
        "lux_hours",
        "dli",
        "dli_most",
        "ppfd_peak",
        "ppfd_from",
        "degree_hours_lit",
        "co2_within",
        "co2_known",
        "target",
        "planned",
        "reasons",
    ]
    assert (answer["date"], answer["complete"]) == ("2025-06-04", False)
    assert answer["photoperiod"] == {"value": pytest.approx(4, abs=0.05), "unit": "h"}
    assert answer["lux_hours"] == {"value": pytest.approx(36_000, rel=0.02), "unit": "lx.h"}
    # white LED: 0.0145 umol/m2/s per lx (CIE 15:2018), times 3600 s/h
    expected = 36_000 * 0.0145 * 3600 / 1e6
    assert answer["dli"]["value"] == pytest.approx(expected, rel=0.02)
    assert answer["dli"]["unit"] == "mol/m2/d"
    assert answer["ppfd_peak"]["value"] == pytest.approx(9000 * 0.0145)
    assert answer["planned"] == {"value": 8.0, "unit": "h"}
    assert answer["degree_hours_lit"] == {"value": pytest.approx(20, abs=0.5), "unit": "K.h"}
    assert answer["co2_within"] == {"value": pytest.approx(100), "unit": "%"}


def test_light_of_other_days(client, watched):
    past = client.get(f"{TANK}/light?date=2020-01-01").get_json()
    assert (past["complete"], past["photoperiod"]) == (True, None)
    future = client.get(f"{TANK}/light?date=2030-01-01").get_json()
    assert (future["complete"], future["photoperiod"]) == (False, None)
    assert future["reasons"] == ["this day is still to come"]
    # the readings begin at noon of the day before
    half = client.get(f"{TANK}/light?date=2025-06-03").get_json()
    assert half["reasons"] == [
        "light readings cover 50 % of the day so far; in the rest it may have been lit"
    ]


def test_temperature_golden_shape(client, watched):
    answer = client.get(f"{TANK}/temperature").get_json()
    assert answer == {
        "tank": "riffle",
        "time": "2025-06-04T12:00:00Z",
        "temperature": {"value": 25.0, "unit": "Cel"},
        "sensor": "wet-1",
        "rate": {"value": pytest.approx(0, abs=1e-6), "unit": "K/h"},
        "range": {"low": 18.0, "high": 28.0, "unit": "Cel"},
        "low_species": "Paracheirodon innesi",
        "high_species": "Paracheirodon innesi",
        "state": "within",
        "comfortable": {"low": 20.0, "high": 26.0, "unit": "Cel"},
        "comfort": "within",
        "quality": "good",
        "forecast": None,
        "reasons": [],
    }


def test_a_warm_tank(client, context):
    """Rises by 0.5 K/h through the limit of 26 °C, set for this tank, two hours ago."""
    put(
        client,
        animals=[
            {"species": "Invented species", "temperature": {"low": 20, "high": 26, "unit": "Cel"}}
        ],
    )
    context.store.write(
        [reading("temperature", minutes, 27.0 - minutes * 0.5 / 60) for minutes in range(0, 600, 5)]
    )
    now = client.get(f"{TANK}/temperature").get_json()
    assert now["state"] == "above"
    assert now["rate"]["value"] == pytest.approx(0.5, rel=0.05)
    found = client.get(f"{TANK}/temperature/excursions").get_json()
    assert found["range"] == {"low": 20.0, "high": 26.0, "unit": "Cel"}
    assert (found["next"], found["against"]) == (None, "tolerable")
    (excursion,) = found["excursions"]
    assert excursion == {
        "start": "2025-06-04T10:00:00Z",
        "end": excursion["end"],
        "start_known": True,
        "end_known": False,
        "side": "above",
        "limit": {"value": 26.0, "unit": "Cel"},
        "species": "Invented species",
        "peak": {"value": pytest.approx(27, abs=0.1), "unit": "Cel"},
        "peak_time": excursion["end"],
        "degree_hours": {"value": pytest.approx(1, abs=0.1), "unit": "K.h"},
        "length": {"value": pytest.approx(2, abs=0.1), "unit": "h"},
    }


def test_excursions_say_against_which_limits(client, context):
    """27 °C for an hour and a half: tolerable for neons (18 to 28), not comfortable (20 to 26)."""
    put(client)
    context.store.write([reading("temperature", minutes, 27.0) for minutes in range(0, 90, 5)])
    now = client.get(f"{TANK}/temperature").get_json()
    assert (now["state"], now["comfort"]) == ("within", "above")
    tolerable = client.get(f"{TANK}/temperature/excursions").get_json()
    assert (tolerable["against"], tolerable["excursions"]) == ("tolerable", [])
    found = client.get(f"{TANK}/temperature/excursions?against=comfortable").get_json()
    assert found["against"] == "comfortable"
    assert found["range"] == {"low": 20.0, "high": 26.0, "unit": "Cel"}
    (excursion,) = found["excursions"]
    assert excursion["limit"] == {"value": 26.0, "unit": "Cel"}
    wrong = client.get(f"{TANK}/temperature/excursions?against=books")
    assert wrong.status_code == 422


def test_a_limit_ahead_is_forecast(client, context):
    put(
        client,
        animals=[
            {"species": "Invented species", "temperature": {"low": 20, "high": 28, "unit": "Cel"}}
        ],
    )
    context.store.write(
        [reading("temperature", minutes, 27.0 - minutes * 0.5 / 60) for minutes in range(0, 300, 5)]
    )
    forecast = client.get(f"{TANK}/temperature").get_json()["forecast"]
    assert forecast["side"] == "above"
    assert forecast["limit"] == {"value": 28.0, "unit": "Cel"}
    assert "2025-06-04T13:" <= forecast["at"] <= "2025-06-04T15:"
    assert 0.5 < forecast["probability"] <= 1


def test_without_animals_nothing_is_judged(client, context):
    put(client, animals=[])
    day_of_readings(context.store)
    answer = client.get(f"{TANK}/temperature").get_json()
    assert answer["temperature"] == {"value": 25.0, "unit": "Cel"}
    assert answer["state"] == "unknown"
    assert answer["range"] == {"low": None, "high": None, "unit": "Cel"}
    assert "nothing to judge temperature by" in answer["reasons"][-1]


@pytest.mark.parametrize(
    "path", ["co2", "co2/series", "light", "temperature", "temperature/excursions"]
)
def test_unknown_tank_and_unknown_option(client, path):
    problem_of(client.get(f"/v1/tanks/none/{path}"), 404, "not-found")
    put(client)
    problem_of(client.get(f"{TANK}/{path}?colour=red"), 422, "invalid-input")


@pytest.mark.parametrize(
    "query", ["date=2025-02-30", "date=today", "date=2025-06-04T00:00:00Z", "date=1969-12-31"]
)
def test_bad_date(client, query):
    put(client)
    body = problem_of(client.get(f"{TANK}/light?{query}"), 422, "invalid-input")
    assert body["errors"][0]["parameter"] == "date"


def test_a_series_of_each_reading_covers_a_month_at_most(client):
    put(client)
    start = "/v1/tanks/riffle/co2/series?start=2020-01-01T00:00:00Z"
    assert client.get(f"{start}&end=2020-02-01T00:00:00Z").status_code == 200
    problem_of(client.get(f"{start}&end=2020-02-01T00:00:01Z"), 422, "invalid-input")
    address = f"{start}&end=2025-01-01T00:00:00Z"
    wrong = problem_of(client.get(address), 422, "invalid-input")
    assert wrong["errors"][0]["parameter"] == "end"
    assert "allowed: within 31 days of the start, or `every` beside it" in wrong["detail"]
    assert client.get(f"{address}&every=1d").status_code == 200
