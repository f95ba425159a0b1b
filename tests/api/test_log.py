"""The log over HTTP: each kind in human units, once each, newest first."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from jsonschema import Draft202012Validator

from service.api.context import install
from service.api.http.openapi import spec_of
from service.cli import run
from service.clock import FixedClock
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

URL = "/v1/tanks/riffle/log"


@pytest.fixture
def logged(client):
    put(client)

    def post(kind, data=None, **members):
        body = {"kind": kind} | ({} if data is None else {"data": data}) | members
        return client.post(URL, json=body)

    return post


def test_golden_shape(logged, client):
    response = logged(
        "water-change", {"fraction": {"value": 50, "unit": "%"}}, by="the colleague", note="clear"
    )
    assert response.status_code == 201
    entry = response.get_json()
    assert entry == {
        "id": entry["id"],
        "tank": "riffle",
        "time": "2025-06-04T12:00:00Z",
        "note": "clear",
        "by": "the colleague",
        "recorded": "2025-06-04T12:00:00Z",
        "kind": "water-change",
        "data": {
            "fraction": {"value": 50.0, "unit": "%"},
            "volume": {"value": pytest.approx(91.125), "unit": "L"},
        },
        "pictures": [],
    }
    schemas = spec_of(client.application)["components"]
    reference = {"$ref": "#/components/schemas/LogEntry", "components": schemas}
    Draft202012Validator(reference).validate(entry)  # JSON Schema 2020-12, as the document says
    assert response.headers["Location"] == f"{URL}/{entry['id']}"
    assert client.get(response.headers["Location"]).get_json() == entry
    assert client.get(URL).get_json() == {"tank": "riffle", "entries": [entry], "next": None}


@pytest.mark.parametrize(
    ("kind", "data", "kept"),
    [
        ("water-change", {"volume": {"value": 18.225, "unit": "L"}}, {"fraction": 0.1}),
        ("water-change", {"fraction": {"value": 0.4, "unit": "1"}}, {"fraction": 0.4}),
        (
            "water-change",
            {
                "fraction": {"value": 40, "unit": "%"},
                "temperature": {"value": 68, "unit": "degF"},
                "kh": {"value": 2, "unit": "dKH"},
            },
            {"fraction": 0.4, "temperature_c": 20, "kh_meq_l": 2 * 0.356652},
        ),
        (
            "dose",
            {"name": "micro", "volume": {"value": 0.01, "unit": "L"}},
            {"name": "micro", "ml": 10},
        ),
        (
            "dose",
            {"name": "nitrate", "mass": {"value": 500, "unit": "mg"}},
            {"name": "nitrate", "g": 0.5},
        ),
        ("kh-test", {"kh": {"value": 4, "unit": "dKH"}}, {"kh_meq_l": 4 * 0.356652}),
        ("gh-test", {"gh": {"value": 6, "unit": "dGH"}}, {"gh_meq_l": 6 * 0.356652}),
        ("trim", {"fraction": {"value": 30, "unit": "%"}}, {"fraction": 0.3}),
        ("trim", None, {}),
        (
            "replant",
            {"fraction": {"value": 20, "unit": "%"}, "part": "left"},
            {"fraction": 0.2, "part": "left"},
        ),
        ("filter-clean", {"part": "sponge"}, {"part": "sponge"}),
        (
            "stocking",
            {"species": "Betta splendens", "count": -1},
            {"species": "Betta splendens", "count": -1},
        ),
        (
            "calibration",
            {"quantity": "ph", "sensor": "glass-1", "offset": -0.05},
            {"quantity": "ph", "sensor": "glass-1", "offset": -0.05},
        ),
        ("observation", {"snails": 4}, {"snails": 4}),
    ],
)
def test_each_kind_is_kept_in_canonical_units_and_shown_again(
    logged, client, context, kind, data, kept
):
    response = logged(kind, data)
    assert response.status_code == 201, response.get_data(as_text=True)
    entry = context.registry.log_entry(response.get_json()["id"])
    assert dict(entry.data) == {
        name: pytest.approx(value, rel=1e-5) if isinstance(value, float | int) else value
        for name, value in kept.items()
    }
    shown = client.get(f"{URL}/{entry.id}").get_json()
    assert set(data or {}) <= set(shown["data"])
    # what is shown can be sent again and means the same
    again = logged(
        kind, {k: v for k, v in shown["data"].items() if k != "volume" or kind == "dose"}
    )
    assert again.status_code == 201
    assert context.registry.log_entry(again.get_json()["id"]).data == entry.data


@pytest.mark.parametrize(
    ("data", "pointer", "allowed"),
    [
        ({"offset_mv": 4.5}, "/data/offset_mv", "quantity, sensor, points, offset, factor"),
        ({"offset": 0.1, "factor": 2}, "/data/factor", "none beside offset"),
        ({"quantity": "temperature", "unit": "lx", "offset": 1}, "/data/unit", "lx for ppfd"),
        ({"points": [{"reading": 7.0}]}, "/data/points/0/reference", "a number"),
        (
            {"points": [{"buffer": "6.5", "millivolts": 3}] * 2},
            "/data/points/0/buffer",
            "4.01, 7.00, 10.01; or ph in its place",
        ),
        ({"points": [{"ph": 7, "millivolts": 3}]}, "/data/points", "two or more buffers"),
    ],
)
def test_a_calibration_that_cannot_be_applied_is_refused(logged, client, data, pointer, allowed):
    body = problem_of(logged("calibration", data), 422, "invalid-input")
    (error,) = body["errors"]
    assert error["pointer"] == pointer
    assert allowed in error["detail"]
    assert client.get(URL).get_json()["entries"] == []


def test_a_corrected_calibration_recomputes_what_is_stored(logged, client, tmp_path):
    """Nernst at 25 °C, 59.16 mV per pH (any handbook): a board zero noted 59.16 mV too high."""
    at = {"time": "2025-06-04T08:00:00Z"}

    def buffers(zero_mv):
        return [
            {"buffer": "7.00", "millivolts": zero_mv, "temperature_c": 25},
            {"buffer": "4.01", "millivolts": zero_mv + 2.99 * 59.16, "temperature_c": 25},
        ]

    def value():
        answer = client.get("/v1/tanks/riffle/readings?quantity=ph&start=2025-06-04T00:00:00Z")
        (reading,) = answer.get_json()["readings"]
        return reading["value"]

    wrong = logged("calibration", {"points": buffers(2.0 + 59.16)}, **at).get_json()
    reading = {"quantity": "ph", "value": 2.0 + 0.4 * 59.16, "unit": "mV"}
    sent = client.post("/v1/tanks/riffle/readings", json=reading | {"time": "2025-06-04T11:00:00Z"})
    assert sent.status_code == 200
    assert value() == pytest.approx(7.6, abs=0.001)
    assert client.delete(f"{URL}/{wrong['id']}").status_code == 204
    assert logged("calibration", {"points": buffers(2.0)}, **at).status_code == 201
    config = tmp_path / "littoral.toml"
    config.write_text(
        f'[store]\nurl = "sqlite:///{tmp_path}/readings.db"\n'
        f'[registry]\nurl = "sqlite:///{tmp_path}/registry.db"\n'
    )
    span = ["--start", "2025-06-04", "--end", "2025-06-05"]
    assert run(["recalibrate", "riffle", "--config", str(config), *span]) == 0
    assert value() == pytest.approx(6.6, abs=0.001)


def test_a_kh_test_counts_for_co2(logged, client):
    logged("kh-test", {"kh": {"value": 6, "unit": "dKH"}}, time="2025-06-04T08:00:00+02:00")
    kh = client.get("/v1/tanks/riffle/co2").get_json()["inputs"]["kh"]
    assert kh["display"]["value"] == pytest.approx(6)
    assert kh["time"] == "2025-06-04T06:00:00Z"


def test_sent_twice_is_kept_once(logged, client):
    first = logged("trim", id="phone-17", time="2025-06-04T08:00:00Z")
    second = logged("trim", id="phone-17", time="2025-06-04T08:00:00Z")
    assert second.get_json() == first.get_json()
    assert len(client.get(URL).get_json()["entries"]) == 1
    other = logged("replant", id="phone-17", time="2025-06-04T08:00:00Z")
    problem_of(other, 409, "conflict")


def test_sent_again_without_a_time_is_the_first_one(logged, client, app, context):
    first = logged("trim", id="phone-17")
    install(app, replace(context, clock=FixedClock(NOW + timedelta(minutes=3))))
    again = logged("trim", id="phone-17")
    assert (again.status_code, again.get_json()) == (201, first.get_json())
    assert again.headers["Location"] == first.headers["Location"]
    for other in ({"note": "another"}, {"time": "2025-06-04T08:00:00Z"}):
        problem_of(logged("trim", id="phone-17", **other), 409, "conflict")
    assert len(client.get(URL).get_json()["entries"]) == 1


def test_newest_first_by_kind_and_span_part_by_part(logged, client):
    for hour in range(10):
        kind = "trim" if hour % 2 else "replant"
        for _ in range(2):
            logged(kind, time=f"2025-06-04T0{hour}:00:00Z")
    times, url = [], f"{URL}?limit=5"
    while url:
        page = client.get(url).get_json()
        assert page["entries"]
        times += [entry["time"] for entry in page["entries"]]
        url = page["next"]
    assert times == sorted(times, reverse=True)
    assert len(times) == 20
    trims = client.get(f"{URL}?kind=trim&start=2025-06-04T03:00:00Z&end=2025-06-04T07:00:00Z")
    assert [entry["time"][11:13] for entry in trims.get_json()["entries"]] == [
        "05",
        "05",
        "03",
        "03",
    ]


def test_more_entries_at_one_moment_than_a_part_holds(logged, client):
    for _ in range(5):
        logged("trim", time="2025-06-04T08:00:00Z")
    logged("replant", time="2025-06-04T07:00:00Z")
    first = client.get(f"{URL}?limit=2").get_json()
    assert len(first["entries"]) == 5
    rest = client.get(first["next"]).get_json()
    assert [entry["kind"] for entry in rest["entries"]] == ["replant"]
    assert rest["next"] is None


def test_delete(logged, client):
    put(client, "pool")
    address = logged("trim").headers["Location"]
    problem_of(client.delete(address.replace("riffle", "pool")), 404, "not-found")
    assert client.delete(address).status_code == 204
    problem_of(client.get(address), 404, "not-found")


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/kind"),
        ({"kind": "party"}, "/kind"),
        ({"kind": ["trim"]}, "/kind"),
        ({"kind": "water-change"}, "/data"),
        ({"kind": "water-change", "data": {}}, "/data/fraction"),
        ({"kind": "water-change", "data": {"fraction": 0.5}}, "/data/fraction"),
        (
            {"kind": "water-change", "data": {"fraction": {"value": 0, "unit": "%"}}},
            "/data/fraction/value",
        ),
        ({"kind": "water-change", "data": {"volume": {"value": 500, "unit": "L"}}}, "/data/volume"),
        ({"kind": "dose", "data": {"name": "x"}}, "/data/volume"),
        ({"kind": "kh-test", "data": {"gh": {"value": 4, "unit": "dGH"}}}, "/data/gh"),
        ({"kind": "stocking", "data": {"species": "x", "count": 0}}, "/data/count"),
        ({"kind": "trim", "time": "2025-06-05T12:00:00Z"}, "/time"),
        ({"kind": "trim", "time": "yesterday"}, "/time"),
        ({"kind": "trim", "note": "x" * 10_001}, "/note"),
        ({"kind": "observation"}, "/note"),
        ({"kind": "trim", "who": "x"}, "/who"),
    ],
)
def test_refusals(logged, client, body, pointer):
    put(client)
    found = problem_of(client.post(URL, json=body), 422, "invalid-input")
    assert pointer in [error["pointer"] for error in found["errors"]]


def test_names_with_any_sign_are_pointed_at(logged):
    """Nothing reads the sentence again: it may hold the words that separate its own parts."""
    body = {"kind": "observation", "data": {"what is a.b/c; allowed: ~": [[[["deep"]]]]}}
    found = problem_of(logged(**body), 422, "invalid-input")
    (error,) = found["errors"]
    assert error["pointer"] == "/data/what is a.b~1c; allowed: ~0/0/0/0"
    assert error["detail"].startswith(error["pointer"] + " is ['deep']; allowed: JSON, not nested")
    assert found["detail"] == error["detail"]


def test_litres_need_a_known_volume(client):
    put(client, dimensions=None)
    body = {"kind": "water-change", "data": {"volume": {"value": 50, "unit": "L"}}}
    assert "not known" in problem_of(client.post(URL, json=body), 422, "invalid-input")["detail"]


def test_unknown_tank(client):
    problem_of(client.get("/v1/tanks/none/log"), 404, "not-found")
    problem_of(client.post("/v1/tanks/none/log", json={"kind": "trim"}), 404, "not-found")
